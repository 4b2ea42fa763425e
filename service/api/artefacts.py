"""The published artefacts over HTTP: read and search, as for stored resources (R4 http.html, search.html)."""

from urllib.parse import urlencode

from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api import bundles
from service.api.negotiation import has_version, require_json, strict
from service.api.outcomes import MEDIA_TYPE
from service.api.routing import DOCUMENTED, Endpoint, PathRoute, add_get, searched_pairs
from service.fhir.published import CURSOR, Artefact, Found, Published
from service.search.criteria import SearchError
from service.search.dates import microseconds
from service.store.wire import http_date

NO_WRITES = "artefacts are made from the mapping tables and change with them alone"


def artefact_routes(published: Published, base: str) -> APIRouter:
    """Read and search of every type that artefacts are published of; they go before the routes of stored resources."""
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4 artefacts"], route_class=PathRoute)
    for type_ in published.types:
        read, search, search_form = _endpoints(published, type_, base)
        add_get(routes, f"/{type_}", search, f"Search the published {type_}s")
        routes.add_api_route(f"/{type_}/_search", search_form, methods=["POST"], responses=DOCUMENTED)
        add_get(routes, f"/{type_}/{{resource_id}}", read, f"A published {type_}")
        for path in (f"/{type_}", f"/{type_}/{{resource_id}}"):
            routes.add_api_route(
                path, _refuse_write, methods=["POST", "PUT", "PATCH", "DELETE"], include_in_schema=False
            )
    return routes


def _endpoints(published: Published, type_: str, base: str) -> tuple[Endpoint, Endpoint, Endpoint]:
    async def read(request: Request, resource_id: str) -> Response:
        """The artefact with ETag and Last-Modified; 304 for who has it."""
        require_json(request)
        return _answered(request, published.artefact(type_, resource_id))

    async def search(request: Request) -> Response:
        """Search by the parameters of the CapabilityStatement."""
        return _searched(request, request.query_params.multi_items())

    async def search_form(request: Request) -> Response:
        """The same by application/x-www-form-urlencoded."""
        return _searched(request, await searched_pairs(request))

    def _searched(request: Request, pairs: list[tuple[str, str]]) -> Response:
        require_json(request)
        try:
            found = published.search(type_, pairs)
        except SearchError as fault:
            raise HTTPException(400, str(fault)) from fault
        if found.ignored and strict(request):
            raise HTTPException(400, f"{found.ignored[0]}: not a search parameter of this server for this type")
        return Response(_bundle(found, f"{base}/{type_}", base), media_type=MEDIA_TYPE)

    return read, search, search_form


def _answered(request: Request, found: Artefact | None) -> Response:
    if found is None:
        raise HTTPException(404, "there is no such artefact")
    changed_at = microseconds(found.changed_at)
    tag = bundles.etag(found.version)
    headers = {"ETag": tag, "Last-Modified": http_date(changed_at)}
    if has_version(request, tag, changed_at):
        return Response(status_code=304, headers=headers)
    return Response(found.body, headers=headers, media_type=MEDIA_TYPE)


def _bundle(found: Found, url: str, base: str) -> bytes:
    links = [("self", _link(url, found.used))]
    if found.next is not None:
        kept = [pair for pair in found.used if pair[0] != CURSOR]
        links.append(("next", _link(url, (*kept, (CURSOR, str(found.next))))))
    return bundles.gathered(base, links, found.rows, total=found.total, ignored=found.ignored)


def _link(url: str, pairs: tuple[tuple[str, str], ...]) -> str:
    return f"{url}?{urlencode(pairs)}" if pairs else url


async def _refuse_write() -> Response:
    raise HTTPException(405, NO_WRITES, {"Allow": "GET, HEAD"})
