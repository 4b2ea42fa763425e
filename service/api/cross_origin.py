"""Browser apps of other origins below /fhir (https://fetch.spec.whatwg.org/#http-cors-protocol; R4 http.html#security).

No origin is allowed unless the deployment names it. Credentials of the browser are never asked for.
"""

from collections.abc import Sequence

from starlette.datastructures import Headers
from starlette.middleware.cors import CORSMiddleware
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.outcomes import refused

METHODS = ("GET", "HEAD", "POST", "PUT")
ALLOWED = (
    *("Accept", "Authorization", "Content-Type", "If-Match", "If-Modified-Since", "If-None-Exist", "If-None-Match"),
    *("Prefer", "X-Request-Id"),
)
EXPOSED = ("Content-Location", "ETag", "Last-Modified", "Location", "X-Request-Id")
PREFLIGHT_KEPT_S = 600


class CrossOrigin(CORSMiddleware):
    """The framework's own, for the paths of FHIR alone; a refused preflight is an OperationOutcome."""

    def __init__(self, app: ASGIApp, origins: Sequence[str]) -> None:
        super().__init__(
            app,
            allow_origins=list(origins),
            allow_methods=list(METHODS),
            allow_headers=list(ALLOWED),
            expose_headers=list(EXPOSED),
            max_age=PREFLIGHT_KEPT_S,
        )
        self._fhir = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request; those outside /fhir as if this were not here."""
        path = scope.get("path", "")
        if path == "/fhir" or path.startswith("/fhir/"):
            await super().__call__(scope, receive, send)
        else:
            await self._fhir(scope, receive, send)

    def preflight_response(self, request_headers: Headers) -> Response:
        """The answer to a preflight; 400 for an origin, method or header that is not allowed."""
        answer = super().preflight_response(request_headers)
        if answer.status_code < 400:
            return answer
        kept = {name: value for name, value in answer.headers.items() if name.startswith(("access-control", "vary"))}
        return refused(400, "requests of this origin, with this method or these headers, are not allowed", kept)
