"""The FHIR API, read side: capabilities, read, vread, history of an instance, search (R4 http.html, search.html).

Answers are the stored bytes. What the readings give rise to is changed by readings alone, so that every write from
outside is answered with 405 and that reason.
"""

import functools
import re
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any, Protocol
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.api import bundles
from service.api.bodies import read_body
from service.api.histories import HistoryAsked
from service.api.negotiation import has_version, require_json, strict
from service.api.outcomes import MEDIA_TYPE, refused
from service.fhir.capability import capability_statement
from service.search.criteria import SearchError, Setting
from service.search.parameters import parameters
from service.search.query import Query, parse
from service.store import Page, Store, Stored
from service.store.wire import http_date

LARGEST_FORM = 64 * 1024
WRITES_REFUSED = (
    "resources are derived from the readings and change with them alone: "
    "send readings, amendments and retractions to the intake interface"
)

Endpoint = Callable[..., Awaitable[Response]]


class ReadSettings(Protocol):
    """What the read side needs to know of a deployment."""

    @property
    def fhir_base(self) -> str:
        """Public base of the FHIR API, without a trailing slash."""

    @property
    def site(self) -> str:
        """Whose resources are served."""

    @property
    def zone(self) -> str:
        """IANA name of the zone of dates without an offset."""

    @property
    def software_version(self) -> str:
        """Version of the service."""


def fhir_routes(
    store: Store,
    settings: ReadSettings,
    clock: Callable[[], datetime],
    supported_profiles: Mapping[str, Sequence[str]] | None = None,
) -> APIRouter:
    """Every route below /fhir. `supported_profiles`: resource type -> canonicals of the profiles that are emitted."""
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4"])
    side = _ReadSide(store, settings, clock, supported_profiles or {})
    for path, endpoint, summary in (
        ("/metadata", side.metadata, "What this server does: its CapabilityStatement"),
        ("/{resource_type}/{resource_id}", side.read, "The current version of a resource"),
        ("/{resource_type}/{resource_id}/_history", side.history, "Versions of a resource, newest first"),
        ("/{resource_type}/{resource_id}/_history/{version_id}", side.vread, "One version of a resource"),
        ("/{resource_type}", side.search, "Search resources of one type"),
    ):
        routes.add_api_route(path, endpoint, methods=["GET"], summary=summary, responses=_DOCUMENTED)
        routes.add_api_route(path, _head(endpoint), methods=["HEAD"], include_in_schema=False)
    routes.add_api_route(
        "/{resource_type}/_search", side.search_form, methods=["POST"], summary="Search by form", responses=_DOCUMENTED
    )
    for path in ("", "/"):
        routes.add_api_route(path, _refuse_base, methods=["GET", "HEAD"], include_in_schema=False)
    for path in ("", "/", "/{resource_type}", "/{resource_type}/{resource_id}"):
        routes.add_api_route(path, _refuse_write, methods=["POST", "PUT", "PATCH", "DELETE"], include_in_schema=False)
    return routes


_DOCUMENTED: dict[int | str, dict[str, Any]] = {
    200: {"description": "FHIR JSON", "content": {"application/fhir+json": {}}},
    "4XX": {"description": "OperationOutcome", "content": {"application/fhir+json": {}}},
}
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")


class _ReadSide:
    """The endpoints, with what they share."""

    def __init__(
        self,
        store: Store,
        settings: ReadSettings,
        clock: Callable[[], datetime],
        supported_profiles: Mapping[str, Sequence[str]],
    ) -> None:
        self._store = store
        self._base = settings.fhir_base
        self._site = settings.site
        self._zone = ZoneInfo(settings.zone)
        self._clock = clock
        self._capability = capability_statement(
            self._base, settings.software_version, settings.zone, supported_profiles
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
        return _versioned(request, await to_thread.run_sync(self._current, resource_type, resource_id))

    async def vread(self, request: Request, resource_type: str, resource_id: str, version_id: str) -> Response:
        """The version named in the URL; 404 where there is no such, 410 where it is the deletion."""
        require_json(request)
        _require_known(resource_type, resource_id)
        number = int(version_id) if re.fullmatch(r"[1-9][0-9]{0,8}", version_id) else 0
        return _versioned(request, await to_thread.run_sync(self._version, resource_type, resource_id, number))

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
        media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if media_type != "application/x-www-form-urlencoded":
            raise HTTPException(415, "send the parameters as application/x-www-form-urlencoded")
        try:
            form = parse_qsl((await read_body(request, LARGEST_FORM)).decode(), keep_blank_values=True)
        except strict_json.TooLarge as fault:
            raise HTTPException(413, str(fault)) from fault
        except ValueError as fault:
            raise HTTPException(400, "the form is not UTF-8") from fault
        return await self._searched(request, resource_type, [*request.query_params.multi_items(), *form])

    async def _searched(self, request: Request, resource_type: str, pairs: list[tuple[str, str]]) -> Response:
        require_json(request)
        _require_known(resource_type)
        setting = Setting(self._base, self._zone, self._clock())
        try:
            query = parse(resource_type, pairs, setting, strict=strict(request))
        except SearchError as fault:
            raise HTTPException(400, str(fault)) from fault
        page = await to_thread.run_sync(self._page, query)
        return Response(bundles.searchset(query, page, self._base), media_type=MEDIA_TYPE)

    def _current(self, type_: str, id_: str) -> Stored | None:
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

    def _page(self, query: Query) -> Page:
        with self._store.read(self._site) as reading:
            return reading.search(query)


def _require_known(resource_type: str, resource_id: str = "x") -> None:
    if resource_type not in parameters():
        raise HTTPException(404, "resources of this type are not served")
    if not _ID.fullmatch(resource_id):
        raise HTTPException(404, "no resource has such an id")


def _unknown() -> HTTPException:
    return HTTPException(404, "there is no such resource or version")


def _versioned(request: Request, found: Stored | None) -> Response:
    if found is None:
        raise _unknown()
    tag = bundles.etag(found.version)
    headers = {"ETag": tag, "Last-Modified": http_date(found.last_updated)}
    if found.body is None:
        return refused(410, "the resource was deleted", headers)
    if has_version(request, tag, found.last_updated):
        return Response(status_code=304, headers=headers)
    return Response(found.body, headers=headers, media_type=MEDIA_TYPE)


async def _refuse_write() -> Response:
    raise HTTPException(405, WRITES_REFUSED, {"Allow": "GET, HEAD"})


async def _refuse_base() -> Response:
    raise HTTPException(404, "searching all types at once is not supported: name a resource type, or read /metadata")


def _head(endpoint: Endpoint) -> Endpoint:
    """The same answer without its body; Content-Length stays that of GET (RFC 9110 9.3.2)."""

    @functools.wraps(endpoint)
    async def head(*arguments: Any, **named: Any) -> Response:
        answer = await endpoint(*arguments, **named)
        answer.body = b""
        return answer

    return head
