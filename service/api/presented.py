"""GET /fhir/Binary/{id}: what the presentedForm of a report points to (http://hl7.org/fhir/R4/binary.html#rest).

As the bytes themselves, or as a resource for a client that asks for FHIR. Drawn at each reading; nothing is stored.
Whoever reads a form must be allowed to read what it shows: the report (its securityContext), and for the sheet, which
names the patient, the Patient too.
"""

from base64 import b64encode
from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api.authorise import as_http
from service.api.routing import PathRoute
from service.config import Settings
from service.fhir import wire
from service.fhir.build.presented import PRESENTED, SHEET, named
from service.report.presenting import rendered
from service.report.story import story_within
from service.store.receiving import held
from service.workflow import Workflow

FHIR_JSON = "application/fhir+json"
_READ_ONLY = {"Allow": "GET"}
BINARY_ROW = {
    "type": "Binary",
    "documentation": (
        "What DiagnosticReport.presentedForm points to, drawn at each reading: as the bytes, or as a resource for who "
        "asks for application/fhir+json. Needs a scope that reads Binary."
    ),
    "interaction": [{"code": "read"}],
    "versioning": "no-version",
    "readHistory": False,
    "updateCreate": False,
    "conditionalCreate": False,
    "conditionalRead": "not-supported",
    "conditionalUpdate": False,
    "conditionalDelete": "not-supported",
}


class Shown(NamedTuple):
    """What is shown: of which course and report, of which media type."""

    course_id: str
    report_id: str
    content_type: str
    content: bytes


def presented_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET /fhir/Binary/{id}. The door asks for a scope that reads Binary; the types that are shown are asked here."""
    routes = APIRouter(prefix="/fhir", tags=["fhir"], route_class=PathRoute)

    def shown(binary_id: str) -> Shown | None:
        found = named(binary_id)
        if found is None:
            return None
        report_id, role = found
        with workflow.store.read(workflow.site.key) as unit:
            report = held(unit, [("DiagnosticReport", report_id)]).get(("DiagnosticReport", report_id))
            if report is None or report.course_id is None:
                return None
            story = story_within(workflow, unit, report.course_id, clock())
        content = rendered(story, role)
        return None if content is None else Shown(report.course_id, report_id, PRESENTED[role].content_type, content)

    async def read_binary(request: Request, binary_id: str) -> Response:
        """A form of a report: the trend as a drawing or picture, the hand-over sheet."""
        _, role = named(binary_id) or ("", "")
        with as_http():
            for type_ in ("DiagnosticReport", "Patient") if role == SHEET else ("DiagnosticReport",):
                request.state.access.require(type_, "read")
        found = await to_thread.run_sync(shown, binary_id)
        if found is None:
            raise HTTPException(404, "no such Binary")
        request.state.shown_courses = [found.course_id]
        headers = {"Cache-Control": "no-store", "Vary": "Accept", "X-Content-Type-Options": "nosniff"}
        if _asks_for_fhir(request):
            return Response(_resource(binary_id, found), media_type=FHIR_JSON, headers=headers)
        # A drawing opened by itself may load and run nothing.
        headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
        headers["X-Security-Context"] = f"{settings.fhir_base}/DiagnosticReport/{found.report_id}"
        return Response(found.content, media_type=found.content_type, headers=headers)

    routes.add_api_route("/Binary/{binary_id}", read_binary, methods=["GET"], summary="A form of a report")
    for path in ("/Binary", "/Binary/{binary_id}"):
        routes.add_api_route(path, _refuse_write, methods=["POST", "PUT", "PATCH", "DELETE"], include_in_schema=False)
    return routes


async def _refuse_write() -> Response:
    raise HTTPException(405, "what a report points to is drawn from the readings and changes with them", _READ_ONLY)


def _asks_for_fhir(request: Request) -> bool:
    """Whether FHIR JSON is asked for by name; anything else gets the bytes (R4: otherwise as the native type)."""
    accepted = ",".join(request.headers.getlist("accept")).lower()
    return request.query_params.get("_format", "") in ("json", FHIR_JSON, "application/json") or FHIR_JSON in accepted


def _resource(binary_id: str, found: Shown) -> bytes:
    return wire.write(
        {
            "resourceType": "Binary",
            "id": binary_id,
            "contentType": found.content_type,
            "securityContext": {"reference": f"DiagnosticReport/{found.report_id}"},
            "data": b64encode(found.content).decode(),
        }
    )
