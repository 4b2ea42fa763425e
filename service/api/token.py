"""Where clients sign in: POST /auth/token, and the discovery document below the FHIR base.

Include these routes before those of the FHIR side, whose paths would take the discovery document for a resource.
"""

import logging
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

import orjson
from anyio import to_thread
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.access.faults import TokenRefused
from service.access.token_endpoint import Granted, TokenEndpoint
from service.access.token_form import LARGEST_FORM, read_form
from service.api.bodies import read_body

TOKEN_PATH = "/auth/token"
CONFIGURATION_PATH = "/fhir/.well-known/smart-configuration"
_NOT_KEPT = {"Cache-Control": "no-store", "Pragma": "no-cache"}
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,30}", re.ASCII)
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"description": "A token of at most five minutes"},
    400: {"description": "`error` of RFC 6749 5.2 and `error_description`"},
}
_FORM: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/x-www-form-urlencoded": {
                "schema": {
                    "type": "object",
                    "required": ["grant_type", "scope", "client_assertion_type", "client_assertion"],
                    "properties": {
                        name: {"type": "string"}
                        for name in ("grant_type", "scope", "client_assertion_type", "client_assertion", "client_id")
                    },
                }
            }
        },
    }
}

log = logging.getLogger(__name__)


def token_routes(endpoint: TokenEndpoint, configuration: Mapping[str, Any], clock: Callable[[], datetime]) -> APIRouter:
    """POST /auth/token (RFC 6749 4.4 with RFC 7523) and GET of the SMART configuration."""
    routes = APIRouter(tags=["access"])
    document = orjson.dumps(configuration)

    @routes.post(TOKEN_PATH, responses=_ANSWERS, openapi_extra=_FORM)
    async def token(request: Request) -> Response:
        """Get a token for a signed assertion (SMART Backend Services)."""
        try:
            form = read_form(await _form_of(request))
            granted: Granted = await to_thread.run_sync(lambda: endpoint.grant(form, clock()))
        except TokenRefused as fault:
            log.info("token refused: %s", fault.error)
            return _refusal(fault, request)
        request.state.audited_client = granted.client_id
        if granted.site is not None:
            request.state.site = granted.site
        return Response(orjson.dumps(granted.answer()), headers=_NOT_KEPT, media_type="application/json")

    @routes.get(CONFIGURATION_PATH)
    async def smart_configuration() -> Response:
        """Where and how to sign in; JSON whatever the client accepts, without a token."""
        return Response(document, headers={"Cache-Control": "max-age=300"}, media_type="application/json")

    return routes


async def _form_of(request: Request) -> bytes:
    """The body of a request that may be looked at. Raises TokenRefused."""
    if request.headers.get("authorization") is not None:
        # RFC 6749 2.3: one way of signing in a request; the header's is none that this service knows.
        raise TokenRefused("invalid_client", "sign in by client_assertion, not by an Authorization header", status=401)
    if request.url.query:
        raise TokenRefused("invalid_request", "parameters belong into the body, URLs are written to logs")
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/x-www-form-urlencoded":
        raise TokenRefused("invalid_request", "send the parameters as application/x-www-form-urlencoded")
    try:
        return await read_body(request, LARGEST_FORM)
    except strict_json.TooLarge as fault:
        raise TokenRefused("invalid_request", str(fault), status=413) from fault


def _refusal(fault: TokenRefused, request: Request) -> Response:
    body = {"error": fault.error, "error_description": _plain(fault.description)}
    headers = dict(_NOT_KEPT)
    if fault.status == 401:
        scheme = _SCHEME.match(request.headers.get("authorization", ""))
        headers["WWW-Authenticate"] = f'{scheme[0] if scheme else "Bearer"} realm="closure-readings"'
    return Response(orjson.dumps(body), fault.status, headers, media_type="application/json")


def _plain(text: str) -> str:
    """Only the characters that RFC 6749 5.2 allows in a description."""
    return "".join(char if "\x20" <= char <= "\x7e" and char not in '"\\' else "?" for char in text)
