"""The FHIR API, read side: capabilities, read, vread, history of an instance, search (R4 http.html, search.html).

Answers are the stored bytes. What the readings give rise to is changed by readings alone, so that every write from
outside is answered with 405 and that reason.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from hashlib import sha256
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api import bundles
from service.api.authorise import as_http
from service.api.histories import HistoryAsked
from service.api.negotiation import has_version, require_json, strict
from service.api.outcomes import MEDIA_TYPE, refused
from service.api.permissions import require_types_of
from service.api.routing import DOCUMENTED, PathRoute, add_get, searched_pairs
from service.config import Settings
from service.fhir.capability import Beside, capability_statement
from service.fhir.subset import WHOLE, subset_of
from service.search.criteria import SearchError, Setting, Subset
from service.search.parameters import parameters
from service.search.query import Query, parse
from service.store import Store, Stored
from service.store.nearby import NotNearby
from service.store.wire import http_date

WRITES_REFUSED = (
    "resources are derived from the readings and change with them alone: "
    "send readings, amendments and retractions to the intake interface"
)


def fhir_routes(
    store: Store,
    settings: Settings,
    clock: Callable[[], datetime],
    supported_profiles: Mapping[str, Sequence[str]] | None = None,
    beside: Beside | None = None,
) -> APIRouter:
    """Every route below /fhir. `supported_profiles`: resource type -> canonicals of the profiles that are emitted.

    `beside`: what else the application serves there, for the CapabilityStatement.
    """
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4"], route_class=PathRoute)
    side = _ReadSide(store, settings, clock, supported_profiles or {}, beside)
    for path, endpoint, summary in (
        ("/metadata", side.metadata, "What this server does: its CapabilityStatement"),
        ("/{resource_type}/{resource_id}", side.read, "The current version of a resource"),
        ("/{resource_type}/{resource_id}/_history", side.history, "Versions of a resource, newest first"),
        ("/{resource_type}/{resource_id}/_history/{version_id}", side.vread, "One version of a resource"),
        ("/{resource_type}", side.search, "Search resources of one type"),
    ):
        add_get(routes, path, endpoint, summary)
    routes.add_api_route(
        "/{resource_type}/_search", side.search_form, methods=["POST"], summary="Search by form", responses=DOCUMENTED
    )
    for path in ("", "/"):
        routes.add_api_route(path, _refuse_base, methods=["GET", "HEAD"], include_in_schema=False)
    for path in ("", "/", "/{resource_type}", "/{resource_type}/{resource_id}"):
        routes.add_api_route(path, _refuse_write, methods=["POST", "PUT", "PATCH", "DELETE"], include_in_schema=False)
    return routes


_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")


class _ReadSide:
    """The endpoints, with what they share."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        clock: Callable[[], datetime],
        supported_profiles: Mapping[str, Sequence[str]],
        beside: Beside | None,
    ) -> None:
        self._store = store
        self._base = settings.fhir_base
        self._site = settings.site
        self._zone = ZoneInfo(settings.zone)
        self._clock = clock
        self._capability = capability_statement(
            self._base, settings.software_version, settings.zone, supported_profiles, beside
        )
        self._capability_tag = f'W/"{sha256(self._capability).hexdigest()[:16]}"'

    async def metadata(self, request: Request) -> Response:
        """CapabilityStatement of this very server; the entity tag changes with it."""
        require_json(request)
        headers = {"ETag": self._capability_tag, "Cache-Control": "no-cache"}
        if self._capability_tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(self._capability, headers=headers, media_type=MEDIA_TYPE)

    async def read(self, request: Request, resource_type: str, resource_id: str) -> Response:
        """Current version with ETag and Last-Modified; 304 for who has it, 404 unknown, 410 deleted."""
        require_json(request)
        _require_known(resource_type, resource_id)
        asked = self._subset(request, resource_type)
        return _versioned(request, await self._current(resource_type, resource_id), asked)

    async def vread(self, request: Request, resource_type: str, resource_id: str, version_id: str) -> Response:
        """The version named in the URL; 404 where there is no such, 410 where it is the deletion."""
        require_json(request)
        _require_known(resource_type, resource_id)
        number = int(version_id) if re.fullmatch(r"[1-9][0-9]{0,8}", version_id) else 0
        asked = self._subset(request, resource_type)
        return _versioned(request, await to_thread.run_sync(self._version, resource_type, resource_id, number), asked)

    async def history(self, request: Request, resource_type: str, resource_id: str) -> Response:
        """Versions, newest first; `_count` and `_since` (at or after) each at most once."""
        require_json(request)
        _require_known(resource_type, resource_id)
        asked = HistoryAsked(request.query_params.multi_items(), self._zone)
        url = f"{self._base}/{resource_type}/{resource_id}/_history"
        body = await to_thread.run_sync(self._versions, resource_type, resource_id, asked, url)
        return Response(body, media_type=MEDIA_TYPE)

    async def search(self, request: Request, resource_type: str) -> Response:
        """Search by the parameters of the CapabilityStatement; `Prefer: handling=strict` refuses unknown ones."""
        return await self._searched(request, resource_type, request.query_params.multi_items())

    async def search_form(self, request: Request, resource_type: str) -> Response:
        """The same by application/x-www-form-urlencoded; parameters of the URL count as well."""
        return await self._searched(request, resource_type, await searched_pairs(request))

    async def _searched(self, request: Request, resource_type: str, pairs: list[tuple[str, str]]) -> Response:
        require_json(request)
        _require_known(resource_type)
        query = self._parsed(resource_type, pairs, strict=strict(request))
        with as_http():
            require_types_of(request.state.access, query)
        return Response(await to_thread.run_sync(self._searchset, query), media_type=MEDIA_TYPE)

    def _parsed(self, resource_type: str, pairs: list[tuple[str, str]], *, strict: bool = False) -> Query:
        setting = Setting(self._base, self._zone, self._clock())
        try:
            return parse(resource_type, pairs, setting, strict=strict)
        except SearchError as fault:
            raise HTTPException(400, str(fault)) from fault

    def _subset(self, request: Request, resource_type: str) -> Subset:
        """`_summary` and `_elements` of a read (http.html#read), meant as in a search."""
        asked = [pair for pair in request.query_params.multi_items() if pair[0] in ("_summary", "_elements")]
        return self._parsed(resource_type, asked).subset if asked else WHOLE

    async def _current(self, type_: str, id_: str) -> Stored | None:
        with suppress(NotNearby), self._store.read_nearby(self._site) as reading:
            found = reading.standing(type_, id_)
            if found is not None:
                return found
        return await to_thread.run_sync(self._newest, type_, id_)

    def _newest(self, type_: str, id_: str) -> Stored | None:
        with self._store.read(self._site) as reading:
            return reading.resource(type_, id_)

    def _version(self, type_: str, id_: str, version: int) -> Stored | None:
        with self._store.read(self._site) as reading:
            return reading.version(type_, id_, version)

    def _versions(self, type_: str, id_: str, asked: HistoryAsked, url: str) -> bytes:
        with self._store.read(self._site) as reading:
            if reading.resource(type_, id_) is None:
                raise _unknown()
            rows = reading.history(type_, id_, since=asked.since, before=asked.before, limit=asked.count + 1)
        page = rows[: asked.count]
        more = asked.link(url, page[-1].version) if page and len(rows) > asked.count else None
        return bundles.history(page, asked.link(url, asked.before), more, self._base)

    def _searchset(self, query: Query) -> bytes:
        with self._store.read(self._site) as reading:
            page = reading.search(query)
        return bundles.searchset(query, page, self._base)


def _require_known(resource_type: str, resource_id: str = "x") -> None:
    if resource_type not in parameters():
        raise HTTPException(404, "resources of this type are not served")
    if not _ID.fullmatch(resource_id):
        raise HTTPException(404, "no resource has such an id")


def _unknown() -> HTTPException:
    return HTTPException(404, "there is no such resource or version")


def _versioned(request: Request, found: Stored | None, asked: Subset) -> Response:
    if found is None:
        raise _unknown()
    tag = bundles.etag(found.version)
    headers = {"ETag": tag, "Last-Modified": http_date(found.last_updated)}
    if found.body is None:
        return refused(410, "the resource was deleted", headers)
    if has_version(request, tag, found.last_updated):
        return Response(status_code=304, headers=headers)
    return Response(subset_of(found.body, asked), headers=headers, media_type=MEDIA_TYPE)


async def _refuse_write() -> Response:
    raise HTTPException(405, WRITES_REFUSED, {"Allow": "GET, HEAD"})


async def _refuse_base() -> Response:
    raise HTTPException(404, "searching all types at once is not supported: name a resource type, or read /metadata")
