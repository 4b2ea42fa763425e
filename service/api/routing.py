"""What the routes below /fhir have in common: HEAD beside GET, forms, answers in the OpenAPI document."""

import functools
import inspect
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import parse_qsl

from fastapi import APIRouter
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service import strict_json
from service.api.bodies import read_body

LARGEST_FORM = 64 * 1024
FORM = "application/x-www-form-urlencoded"
DOCUMENTED: dict[int | str, dict[str, Any]] = {
    200: {"description": "FHIR JSON", "content": {"application/fhir+json": {}}},
    "4XX": {"description": "OperationOutcome", "content": {"application/fhir+json": {}}},
}

Endpoint = Callable[..., Awaitable[Response]]


class PathRoute(APIRoute):
    """A route whose endpoint takes the request and the named segments of its path, as text, and answers by itself.

    The framework would work out at each request what else it might be given, and keep open what nobody opened. Faults
    leave as they are: the application answers them.
    """

    def __init__(self, path: str, endpoint: Endpoint, **named: Any) -> None:
        super().__init__(path, endpoint, **named)
        asked = inspect.signature(endpoint).parameters.values()
        of_path = {"request", *self.param_convertors}
        self._asked = tuple(each.name for each in asked if each.name in of_path)
        missing = [each.name for each in asked if each.name not in of_path and each.default is each.empty]
        if missing:
            raise TypeError(f"the path {path} gives no {', '.join(missing)}")

        self.app = self._served

    async def _served(self, scope: Scope, receive: Receive, send: Send) -> None:
        given = {"request": Request(scope, receive, send), **scope["path_params"]}
        answer = await self.endpoint(**{name: given[name] for name in self._asked})
        await answer(scope, receive, send)


def add_get(routes: APIRouter, path: str, endpoint: Endpoint, summary: str) -> None:
    """A route of GET, and of HEAD with the same answer."""
    routes.add_api_route(path, endpoint, methods=["GET"], summary=summary, responses=DOCUMENTED)
    routes.add_api_route(path, _head(endpoint), methods=["HEAD"], include_in_schema=False)


def _head(endpoint: Endpoint) -> Endpoint:
    """The same answer without its body; Content-Length stays that of GET (RFC 9110 9.3.2)."""

    @functools.wraps(endpoint)
    async def head(*arguments: Any, **named: Any) -> Response:
        answer = await endpoint(*arguments, **named)
        answer.body = b""
        return answer

    return head


async def searched_pairs(request: Request) -> list[tuple[str, str]]:
    """The parameters of a POST _search: those of the URL, then those of the form (search.html#Introduction)."""
    if media_type(request) != FORM:
        raise HTTPException(415, f"send the parameters as {FORM}")
    try:
        form = parse_qsl((await read_body(request, LARGEST_FORM)).decode(), keep_blank_values=True)
    except strict_json.TooLarge as fault:
        raise HTTPException(413, str(fault)) from fault
    except ValueError as fault:
        raise HTTPException(400, "the form is not UTF-8") from fault
    return [*request.query_params.multi_items(), *form]


def media_type(request: Request) -> str:
    """The media type of the body, without its parameters."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()
