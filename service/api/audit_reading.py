"""GET /fhir/AuditEvent, for those that CLOSURE_READINGS_AUDIT_READERS names and nobody else (default: nobody).

Clients by their id, which need the scope as well; in the open demonstration, where nobody signs in, network addresses.

Its own small search, apart from the clinical one: patient, date, action, outcome. What it does not know it refuses,
since whoever looks into who saw what must not take an answer to another question for the one asked.
"""

import re
from datetime import UTC, datetime, tzinfo
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import orjson
from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access.gate import Access
from service.api.negotiation import require_json
from service.api.outcomes import MEDIA_TYPE
from service.config import Settings
from service.search.dates import DateBound, date_bound
from service.store import Store
from service.store.audit import AuditAsked, AuditRow, event_body, find_events
from service.workflow.auditing import AuditRecorder

DEFAULT_COUNT, LARGEST_COUNT = 50, 1000
CURSOR = "_cursor"
PARAMETERS = ("patient", "date", "action", "outcome", "_count", CURSOR, "_format")
DENIED = (
    "the audit record is for the site's privacy office: this client is none of its readers "
    "(CLOSURE_READINGS_AUDIT_READERS); on the machine itself, `closure-readings audit` shows it"
)
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}", re.ASCII)
_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)  # only the prefix `ap` would look at it, and that is refused


def audit_routes(store: Store, settings: Settings, recorder: AuditRecorder) -> APIRouter:
    """Search and read of the audit record."""
    routes = APIRouter(prefix="/fhir/AuditEvent", include_in_schema=False)
    zone = ZoneInfo(settings.zone)

    def require_reader(request: Request) -> None:
        access: Access = request.state.access
        address = request.client.host if request.client else ""
        who = address if access.kind == "demonstration" else access.client_id
        if who not in settings.audit_readers:
            raise HTTPException(403, DENIED)

    def found(asked: AuditAsked) -> list[AuditRow]:
        recorder.flush()  # whoever looks sees everything up to now
        with store.read(settings.site) as reading:
            return find_events(reading, asked)

    def one(own: str) -> bytes | None:
        recorder.flush()
        with store.read(settings.site) as reading:
            return event_body(reading, own)

    @routes.get("")
    async def search(request: Request) -> Response:
        """Events, newest first, page by page."""
        require_reader(request)
        require_json(request)
        pairs = request.query_params.multi_items()
        asked = asked_of(pairs, zone, f"{settings.fhir_base}/Patient/")
        rows = await to_thread.run_sync(found, asked._replace(limit=asked.limit + 1))
        body = _searchset(f"{settings.fhir_base}/AuditEvent", pairs, rows, asked.limit)
        return Response(body, media_type=MEDIA_TYPE)

    @routes.get("/{event_id}")
    async def read(request: Request, event_id: str) -> Response:
        """One event."""
        require_reader(request)
        require_json(request)
        body = await to_thread.run_sync(one, event_id) if _ID.fullmatch(event_id) else None
        if body is None:
            raise HTTPException(404, "there is no such resource or version")
        return Response(body, media_type=MEDIA_TYPE, headers={"ETag": 'W/"1"'})

    return routes


def asked_of(pairs: list[tuple[str, str]], zone: tzinfo, patients: str = "Patient/") -> AuditAsked:
    """A search of the audit record; HTTPException 400 for what it cannot be asked. Dates may be given twice."""
    for name, _ in pairs:
        if name not in PARAMETERS:
            raise HTTPException(400, f"not a parameter of the audit record; it has {', '.join(PARAMETERS[:4])}")
        if name != "date" and [given for given, _ in pairs].count(name) > 1:
            raise HTTPException(400, f"{name}: given twice")
    values = dict(pairs)
    low, high = _period([value for name, value in pairs if name == "date"], zone)
    patient = values.get("patient")
    if patient is not None:
        patient = _one_of("patient", patient.removeprefix(patients).removeprefix("Patient/"), _ID)
    return AuditAsked(
        patient=patient,
        action=_one_of("action", values.get("action"), re.compile("[CRUDE]")),
        outcome=_one_of("outcome", values.get("outcome"), re.compile("0|4|8|12")),
        low=low,
        high=high,
        before=_one_of(CURSOR, values.get(CURSOR), _ID),
        limit=_count(values.get("_count")),
    )


def _period(dates: list[str], zone: tzinfo) -> tuple[int | None, int | None]:
    low: int | None = None
    high: int | None = None
    for text in dates:
        try:
            bound = date_bound(text, zone, _ANY_TIME)
        except ValueError as fault:
            raise HTTPException(400, "date: not a date of FHIR R4") from fault
        first, after = _edges(bound)
        low = first if low is None else low if first is None else max(low, first)
        high = after if high is None else high if after is None else min(high, after)
    return low, high


def _edges(bound: DateBound) -> tuple[int | None, int | None]:
    """The half-open period of instants that a date with its prefix stands for."""
    match bound.prefix:
        case "eq":
            return bound.low, bound.high
        case "ge":
            return bound.low, None
        case "gt" | "sa":
            return bound.high, None
        case "le":
            return None, bound.high
        case "lt" | "eb":
            return None, bound.low
    raise HTTPException(400, "date: the prefix is eq, ge, gt, le, lt, sa or eb")


def _one_of(name: str, value: str | None, form: re.Pattern[str]) -> str | None:
    if value is not None and not form.fullmatch(value):
        raise HTTPException(400, f"{name}: not a value that it can have")
    return value


def _count(text: str | None) -> int:
    if text is None:
        return DEFAULT_COUNT
    if not re.fullmatch(r"[1-9][0-9]{0,8}", text, re.ASCII):
        raise HTTPException(400, "_count: not a whole number of 1 or more")
    return min(int(text), LARGEST_COUNT)


def _searchset(url: str, pairs: list[tuple[str, str]], rows: list[AuditRow], count: int) -> bytes:
    page = rows[:count]
    links = [{"relation": "self", "url": f"{url}?{urlencode(pairs)}" if pairs else url}]
    if len(rows) > count:
        onward = [*(pair for pair in pairs if pair[0] != CURSOR), (CURSOR, page[-1].id)]
        links.append({"relation": "next", "url": f"{url}?{urlencode(onward)}"})
    entries = [
        {"fullUrl": f"{url}/{row.id}", "resource": orjson.Fragment(row.body), "search": {"mode": "match"}}
        for row in page
    ]
    bundle = {"resourceType": "Bundle", "type": "searchset", "link": links}
    return orjson.dumps(bundle | ({"entry": entries} if entries else {}))
