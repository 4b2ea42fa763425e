"""Writes through FHIR: create, update and their conditional forms; transactions and batches (http.html, R4).

A hospital may send the types of `service.fhir.writable`; everything else, and every resource that the readings give, is
read-only. What is sent is stored as it came, with our version, time and tag (docs/fhir-writing.md).
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.api.authorise import as_http
from service.api.bodies import read_body
from service.api.bundles import etag
from service.api.negotiation import require_json
from service.api.outcomes import MEDIA_TYPE
from service.api.permissions import searched_by_references
from service.api.preconditions import HEADERS, Preconditions, Wish, preconditions, wish
from service.api.reads_within import ReadsWithin
from service.api.routing import DOCUMENTED, PathRoute, media_type
from service.api.transactions import Transactions
from service.fhir import wire
from service.fhir.r4 import resource_types
from service.fhir.validate import check, operation_outcome
from service.fhir.writable import WRITABLE
from service.search.parameters import parameters
from service.store.wire import http_date
from service.workflow import Workflow
from service.workflow.answering import Answering
from service.workflow.incoming import READ_ONLY, Asked, Charting, Incoming, Written, without_server_elements
from service.workflow.rejecting import Rejected, rejected

JSON = frozenset({"application/fhir+json", "application/json", "text/json"})
NOT_DELETED = "resources are not deleted or patched here: send a whole version, marked entered-in-error where it is one"

Tree = dict[str, Any]


def write_routes(
    workflow: Workflow,
    clock: Callable[[], datetime],
    reads: ReadsWithin,
    new_id: Callable[[], str] = lambda: str(uuid4()),
) -> APIRouter:
    """Routes of writing below /fhir; to be included before those of reading, which refuse every write.

    `reads` answers the GET entries of Bundles. `new_id`: ids of created resources.
    """
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4"], route_class=PathRoute)
    side = _WriteSide(workflow, clock, reads, new_id)
    for path in ("", "/"):
        routes.add_api_route(
            path, side.bundle, methods=["POST"], summary="Transaction or batch", responses=DOCUMENTED,
            include_in_schema=path == "",
        )  # fmt: skip
    for path, method, endpoint, summary in (
        ("/{resource_type}", "POST", side.create, "Create, with If-None-Exist under a condition"),
        ("/{resource_type}", "PUT", side.update_where, "Update what answers the query"),
        ("/{resource_type}/{resource_id}", "PUT", side.update, "Update, or create with this id"),
    ):
        routes.add_api_route(path, endpoint, methods=[method], summary=summary, responses=DOCUMENTED)
    for path in ("/{resource_type}", "/{resource_type}/{resource_id}"):
        routes.add_api_route(path, side.refuse, methods=["DELETE", "PATCH"], include_in_schema=False)
    return routes


def incoming_of(workflow: Workflow, new_id: Callable[[], str]) -> Incoming:
    """What writes of the workflow's site need."""
    answering = Answering(workflow)
    settings = workflow.settings
    charting = Charting(answering.settle, answering.chart)
    return Incoming(workflow.site, ZoneInfo(settings.zone), settings.fhir_base, new_id, charting)


class _WriteSide:
    """The endpoints, with what they share."""

    def __init__(
        self, workflow: Workflow, clock: Callable[[], datetime], reads: ReadsWithin, new_id: Callable[[], str]
    ) -> None:
        self._workflow = workflow
        self._clock = clock
        self._incoming = incoming_of(workflow, new_id)
        self._base = workflow.settings.fhir_base
        self._transactions = Transactions(workflow, self._incoming, clock, reads)

    async def create(self, request: Request, resource_type: str) -> Response:
        """Store a resource under an id of this server's; 200 where the condition finds one."""
        require_json(request)
        self._require_writable(resource_type, "create")
        raw = await _body(request)
        return await _refusing(self._created, resource_type, raw, request)

    async def update(self, request: Request, resource_type: str, resource_id: str) -> Response:
        """Store a further version under this id, or the first one."""
        require_json(request)
        self._require_writable(resource_type, "update")
        raw = await _body(request)
        return await _refusing(self._updated, resource_type, raw, request, resource_id, None)

    async def update_where(self, request: Request, resource_type: str) -> Response:
        """Store a further version of the one resource that answers the query, or the first one where none does."""
        require_json(request)
        self._require_writable(resource_type, "update")
        raw = await _body(request)
        return await _refusing(self._updated, resource_type, raw, request, None, request.url.query)

    async def bundle(self, request: Request) -> Response:
        """Everything of a transaction or nothing; of a batch each entry by itself."""
        require_json(request)
        request.state.interaction = "batch"
        raw = await _body(request, wire.MAX_BYTES)
        return await _refusing(self._transactions.answer, raw, _wish(request), request.state.access)

    async def refuse(self, resource_type: str) -> Response:
        """DELETE and PATCH are offered for nothing."""
        self._require_served(resource_type)
        told = NOT_DELETED if resource_type in WRITABLE else READ_ONLY
        raise HTTPException(405, told, {"Allow": _allowed(resource_type)})

    def _require_served(self, type_: str) -> None:
        if type_ in resource_types() and type_ not in parameters():
            raise HTTPException(404, "resources of this type are not served")

    def _require_writable(self, type_: str, interaction: str) -> None:
        self._require_served(type_)
        if type_ not in WRITABLE:
            raise HTTPException(405, READ_ONLY, {"Allow": _allowed(type_)})
        if interaction not in WRITABLE[type_].interactions:
            told = "what was answered stays as it was sent: amend the entry that came of it by the intake interface"
            raise HTTPException(405, told, {"Allow": _allowed(type_)})

    def _created(self, type_: str, raw: bytes, request: Request) -> Response:
        asked = self._asked("POST", type_, _read(raw), preconditions("POST", _headers(request)))
        return self._write(asked, request)

    def _updated(self, type_: str, raw: bytes, request: Request, id_: str | None, condition: str | None) -> Response:
        resource = _read(raw)
        if id_ is not None and resource.get("id") != id_:
            raise rejected(400, "the id of the resource is not the id of the URL", f"{type_}.id")
        asked = self._asked("PUT", type_, resource, preconditions("PUT", _headers(request)))
        asked.id, asked.condition = id_, condition
        return self._write(asked, request)

    def _asked(self, method: str, type_: str, resource: Tree, under: Preconditions) -> Asked:
        if resource.get("resourceType") != type_:
            raise rejected(400, f"the resource is not of the type of the URL, {type_}", "resourceType")
        if method == "POST":
            resource = without_server_elements(resource)
        issues = check(resource, self._workflow.site.rules)
        if any(issue.severity == "error" for issue in issues):
            raise Rejected(422, issues)
        return Asked(
            method, resource, type_, condition=under.if_none_exist, if_match=under.if_match, only_new=under.only_new,
            issues=issues,
        )  # fmt: skip

    def _write(self, asked: Asked, request: Request) -> Response:
        workflow = self._workflow
        with as_http():
            for type_, interaction in searched_by_references(asked.resource):
                request.state.access.require(type_, interaction)
        with workflow.store.write(workflow.site.key, self._clock()) as unit:
            (written,) = self._incoming.write(unit, [asked])
        return _answer(written, _wish(request), self._base)


async def _refusing(work: Callable[..., Response], *arguments: Any) -> Response:
    """Run a write in a thread; a refusal becomes its OperationOutcome with every issue."""
    try:
        return await to_thread.run_sync(work, *arguments)
    except Rejected as refusal:
        return _refused(refusal)
    except wire.Unreadable as fault:
        return _refused(Rejected(400, fault.issues))


def _refused(refusal: Rejected) -> Response:
    headers = {"Cache-Control": "no-store"} | ({"Allow": "GET, HEAD"} if refusal.status == 405 else {})
    return Response(wire.write(operation_outcome(refusal.issues)), refusal.status, headers, MEDIA_TYPE)


def _answer(written: Written, wanted: Wish, base: str) -> Response:
    headers = {
        "Location": f"{base}/{written.type}/{written.id}/_history/{written.version}",
        "ETag": etag(written.version),
        "Last-Modified": http_date(written.last_updated),
    }
    if wanted == "minimal":
        return Response(status_code=written.status, headers=headers)
    body = written.body if wanted == "representation" else wire.write(operation_outcome(written.issues))
    return Response(body, written.status, headers, MEDIA_TYPE)


async def _body(request: Request, largest: int = strict_json.LARGEST_DOCUMENT) -> bytes:
    if media_type(request) not in JSON:
        raise HTTPException(415, "send FHIR JSON as application/fhir+json")
    try:
        return await read_body(request, largest)
    except strict_json.TooLarge as fault:
        raise HTTPException(413, str(fault)) from fault


def _read(raw: bytes) -> Tree:
    return wire.read(raw)


def _headers(request: Request) -> dict[str, str]:
    return {name: ",".join(request.headers.getlist(name)) for name in HEADERS if name in request.headers}


def _wish(request: Request) -> Wish:
    return wish(request.headers.getlist("prefer"))


def _allowed(type_: str) -> str:
    writable = WRITABLE.get(type_)
    if writable is None:
        return "GET, HEAD"
    return "GET, HEAD, POST, PUT" if writable.update else "GET, HEAD, POST"
