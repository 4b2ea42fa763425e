"""The operations over HTTP: `$validate`, `$everything`, `$lastn`, `$translate` (http://hl7.org/fhir/R4/operations.html).

By GET with primitive inputs in the URL where nothing is changed by asking, which holds for all four, and by POST with a
Parameters resource, or with the resource itself for `$validate`. What is not offered is answered 404.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access.gate import Access
from service.api import bundles
from service.api.authorise import as_http
from service.api.negotiation import require_json, strict
from service.api.operation_inputs import Told, require_names, told_by
from service.api.outcomes import MEDIA_TYPE
from service.api.permissions import require_types_of
from service.api.record_reading import RETRACTED, all_rows, existing, page_of, supporting, timed
from service.api.routing import DOCUMENTED, PathRoute, add_get
from service.config import Settings
from service.fhir import wire
from service.fhir.capability import ON_EVERY_TYPE
from service.fhir.operations import everything, lastn
from service.fhir.operations.inputs import Inputs, Refused
from service.fhir.operations.translating import translate
from service.fhir.operations.validating import Asked, Judge
from service.fhir.published import Published
from service.fhir.validate import operation_outcome
from service.search.criteria import Order, SearchError, Setting
from service.search.parameters import Parameter, parameters_of
from service.search.query import MAX_COUNT, Query, parse
from service.store import Store

OFFERED: Mapping[str, Sequence[str]] = {
    ON_EVERY_TYPE: ("validate",),
    "ConceptMap": ("translate",),
    "Observation": ("lastn",),
    "Patient": ("everything",),
}
_NOT_OFFERED = "this operation is not offered here; /metadata names those that are"


def operation_routes(
    store: Store, settings: Settings, clock: Callable[[], datetime], judge: Judge, published: Published
) -> APIRouter:
    """Every operation; the routes go before those of resources, whose paths would take `$name` for an id."""
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4 operations"], route_class=PathRoute)
    side = _Operations(store, settings, clock, judge, published)
    for path, endpoint, summary, by_get in (
        ("/{resource_type}/$validate", side.validate, "Check a resource", False),
        ("/{resource_type}/{resource_id}/$validate", side.validate_instance, "Check a stored or changed one", True),
        ("/Patient/{resource_id}/$everything", side.everything, "All that is held of a patient", True),
        ("/Observation/$lastn", side.lastn, "The newest Observations of each code", True),
        ("/ConceptMap/$translate", side.translate, "Standard codes of an own code", True),
        ("/ConceptMap/{resource_id}/$translate", side.translate, "The same by one map", True),
    ):
        if by_get:
            add_get(routes, path, endpoint, summary)
        routes.add_api_route(path, endpoint, methods=["POST"], summary=summary, responses=DOCUMENTED)
    return routes


def unoffered_routes() -> APIRouter:
    """What is answered where an operation is not offered; after every operation and before the routes of resources."""
    routes = APIRouter(prefix="/fhir", include_in_schema=False, route_class=PathRoute)
    for path in ("/${name}", "/{resource_type}/${name}", "/{resource_type}/{resource_id}/${name}"):
        routes.add_api_route(path, _refuse, methods=["GET", "HEAD", "POST"])
    return routes


@dataclass(frozen=True, slots=True)
class _Operations:
    """The endpoints, with what they share."""

    store: Store
    settings: Settings
    clock: Callable[[], datetime]
    judge: Judge
    published: Published

    # $validate

    async def validate(self, request: Request, resource_type: str) -> Response:
        """Every issue of the resource in the body, 200 whether it is sound or not."""
        return await self._validated(request, resource_type, None)

    async def validate_instance(self, request: Request, resource_type: str, resource_id: str) -> Response:
        """The same for a stored resource, or for what it would become."""
        return await self._validated(request, resource_type, resource_id)

    async def _validated(self, request: Request, type_: str, id_: str | None) -> Response:
        require_json(request)
        if type_ not in self.judge.interactions:
            raise HTTPException(404, "resources of this type are not served")
        told = await told_by(request)
        require_names(told.inputs, ("resource", "mode", "profile", "_format"), request)
        return await _answer(lambda: self._issues(type_, id_, told))

    def _issues(self, type_: str, id_: str | None, told: Told) -> bytes:
        asked = Asked(type_, id_, told.inputs.text("mode"), told.inputs.text("profile"))
        resource = told.resource or told.inputs.object("resource")
        if id_ is not None and (resource is None or asked.mode in ("update", "delete")):
            stored = self._stored(type_, id_)
            resource = wire.read(stored) if resource is None else resource
        return wire.write(operation_outcome(self.judge.issues(asked, resource)))

    def _stored(self, type_: str, id_: str) -> bytes:
        artefact = self.published.artefact(type_, id_)
        if artefact is not None:
            return artefact.body
        with self.store.read(self.settings.site) as reading:
            return existing(reading, type_, id_)

    # $everything

    async def everything(self, request: Request, resource_id: str) -> Response:
        """What is held of a patient, Provenance and what the resources refer to included, page by page."""
        require_json(request)
        told = await told_by(request)
        access: Access = request.state.access
        return await _answer(lambda: self._everything(resource_id, told.inputs, strict(request), access))

    def _everything(self, patient: str, inputs: Inputs, is_strict: bool, access: Access) -> bytes:
        asked = everything.everything(patient, inputs, self._setting())
        with as_http():
            for type_ in sorted({*asked.types, *asked.supporting}):
                access.require(type_, "read")
        if asked.ignored and is_strict:
            raise Refused(f"{asked.ignored[0]}: no parameter of this operation")
        with self.store.read(self.settings.site) as reading:
            existing(reading, "Patient", patient)
            rows, following = page_of(reading, asked)
            included = supporting(reading, asked, rows)
            total = sum(reading.search(query).total or 0 for query in asked.counting())
        url = f"{self.settings.fhir_base}/Patient/{patient}/$everything"
        links = [("self", _url(url, asked.used))]
        if following is not None:
            kept = [pair for pair in asked.used if pair[0] != everything.CURSOR]
            links.append(("next", _url(url, [*kept, (everything.CURSOR, everything.written(following))])))
        return bundles.gathered(
            self.settings.fhir_base, links, rows, included=included, total=total, ignored=asked.ignored
        )

    # $lastn

    async def lastn(self, request: Request) -> Response:
        """The newest Observations of each code of a patient; retracted ones only where `status` asks for them."""
        require_json(request)
        told = await told_by(request)
        access: Access = request.state.access
        return await _answer(lambda: self._lastn(told.inputs, strict(request), access))

    def _lastn(self, inputs: Inputs, is_strict: bool, access: Access) -> bytes:
        most = _most(inputs.text("max"))
        known = parameters_of("Observation")
        searched = [(name, str(value)) for name, value in inputs.pairs if _plain(name) in known]
        ignored = [name for name in inputs.names if _plain(name) not in known and name not in ("max", "_format")]
        if ignored and is_strict:
            raise Refused(f"{ignored[0]}: no parameter of this operation")
        query = _lastn_query(searched, self._setting())
        with as_http():
            require_types_of(access, query)
        with self.store.read(self.settings.site) as reading:
            found = all_rows(reading, query)
        kept, left_out = timed(found, ZoneInfo(self.settings.zone), "status" in {_plain(name) for name, _ in searched})
        rows = lastn.newest_of_each(kept, most)
        url = f"{self.settings.fhir_base}/Observation/$lastn"
        used = [*searched, *([("max", str(most))] if inputs.text("max") else [])]
        said = f"left out: {left_out} entered in error; status={RETRACTED} gives them" if left_out else ""
        links = [("self", _url(url, used))]
        return bundles.gathered(
            self.settings.fhir_base, links, rows, total=len(rows), ignored=[*ignored, *query.ignored], notice=said
        )

    # $translate

    async def translate(self, request: Request, resource_id: str | None = None) -> Response:
        """The targets of a code with how they compare; `result` is false where there is none."""
        require_json(request)
        told = await told_by(request)
        inputs = Inputs(pair for pair in told.inputs.pairs if pair[0] != "_format")
        return await _answer(lambda: wire.write(translate(self.published, inputs, resource_id)))

    def _setting(self) -> Setting:
        return Setting(self.settings.fhir_base, ZoneInfo(self.settings.zone), self.clock())


def _most(text: str | None) -> int:
    if text is None:
        return 1
    if not (text.isascii() and text.isdigit() and int(text[:9]) > 0):
        raise Refused("max: not a whole number of 1 or more")
    return min(int(text[:9]), MAX_COUNT)


def _plain(name: str) -> str:
    return name.partition(":")[0].partition(".")[0]


def _lastn_query(pairs: Sequence[tuple[str, str]], setting: Setting) -> Query:
    """The search behind `$lastn`; it needs a patient or subject, and a category or a parameter about codes."""
    known = parameters_of("Observation")
    names = {_plain(name) for name, value in pairs if value}
    if not names & {"patient", "subject"}:
        raise Refused("patient or subject: one of them is needed")
    if not any(_about_codes(known[name]) for name in names):
        raise Refused("category or code: one of them is needed")
    query = parse("Observation", pairs, setting)
    return replace(query, order=Order("date", descending=True), count=MAX_COUNT, total="none")


def _about_codes(parameter: Parameter) -> bool:
    """Whether a parameter is `category` or one whose expression has a code element."""
    ends = {path[-1] for path in parameter.paths}
    return parameter.name == "category" or "code" in ends or parameter.name.startswith(("code-", "combo-code-"))


# What goes out


async def _answer(made: Callable[[], bytes]) -> Response:
    try:
        return Response(await to_thread.run_sync(made), media_type=MEDIA_TYPE)
    except Refused as fault:
        raise HTTPException(fault.status, fault.why) from fault
    except SearchError as fault:
        raise HTTPException(400, str(fault)) from fault


def _url(url: str, pairs: Sequence[tuple[str, str]]) -> str:
    return f"{url}?{urlencode(pairs, safe='$,|:/')}" if pairs else url


async def _refuse() -> Response:
    raise HTTPException(404, _NOT_OFFERED)
