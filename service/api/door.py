"""The door: who asks, of which site, and whether the token covers the request. Behind it stands one site's application.

Without a token only what tells how to get one is answered: the CapabilityStatement, and a start page that shows nothing
of anybody.
"""

from collections.abc import Callable

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.gate import Access
from service.api.audit import require_record
from service.api.authorise import Authorise, as_http
from service.api.permissions import READING, require_permission
from service.api.rate import ClientRate
from service.api.sites import Sites

OPEN = frozenset({"/", "/fhir/metadata"})
Full = Callable[[], bool]


class Door:
    """Lets a request through to the application of the client's own site."""

    def __init__(
        self, sites: Sites, authorise: Authorise, registry: ASGIApp, audit_is_full: Full, rate: ClientRate
    ) -> None:
        """`registry`: the application of clients that belong to no site."""
        self._sites = sites
        self._registry = registry
        self._authorise = authorise
        self._audit_is_full = audit_is_full
        self._rate = rate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request; HTTPException 401, 403 or 503 for one that does not come through."""
        request = Request(scope, receive)
        access = await self._access(request)
        app = await self._app(request, access)
        await app(scope, receive, send)

    async def _access(self, request: Request) -> Access | None:
        try:
            access = await self._authorise(request)
        except HTTPException as refusal:
            if request.url.path in OPEN and request.method in ("GET", "HEAD") and refusal.status_code == 401:
                request.state.access = None
                return None
            raise
        if access.site is None and request.url.path in OPEN:
            request.state.access = None  # a registry is told no more here than anybody
            return None
        request.state.access = access
        if access.kind != "demonstration":
            request.state.audited_client = access.client_id
            self._rate.require(access.client_id)
        return access

    async def _app(self, request: Request, access: Access | None) -> ASGIApp:
        if access is None:
            return self._sites.home.app
        if access.site is None and request.url.path.startswith("/fhir/") and "/$export" in request.url.path:
            self._require_audit()
            return self._registry
        with as_http():
            key = access.own_site()
            request.state.site = key  # a refusal from here on stands in the site's own audit record
            segments = [part for part in request.url.path.split("/") if part]
            if request.url.path not in OPEN:
                require_permission(access, request.method, segments, _condition(request))
        if request.url.path not in OPEN:
            self._require_audit()
        made = self._sites.made(key)
        if made is None:
            made = await to_thread.run_sync(self._sites.part, key)
        return made.app

    def _require_audit(self) -> None:
        require_record(self._audit_is_full())


def _condition(request: Request) -> str | None:
    """On what a write asks for what exists already; None where it does not."""
    if request.method in READING or request.url.path.endswith("/_search"):
        return None
    given = request.headers.getlist("if-none-exist")
    if request.method != "POST" and request.url.query:
        given.append(request.url.query)
    return "&".join(given) if given else None
