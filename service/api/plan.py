"""The layout plan over HTTP: JSON in, JSON or a printable sheet out. Nothing is stored."""

from collections import Counter
from urllib.parse import urlencode

from fastapi import APIRouter
from msgspec.structs import asdict
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from service import strict_json
from service.api.bodies import read_json_body
from service.api.documentation import PLAN, PLAN_REQUEST, answers
from service.api.problems import problem
from service.api.start import POLICY as CONTENT_POLICY
from service.clinic.force import BenchTable
from service.clinic.layout import WOUND_MEMBERS, WoundToFit, plan_for
from service.clinic.layout_words import plan_view
from service.clinic.policy import Policy
from service.intake.faults import Fault, Refused
from service.intake.planning import numbers_of, review_wound
from service.report.plan_sheet import plan_sheet

HEADERS = {"Content-Security-Policy": CONTENT_POLICY, "Vary": "Accept"}


def plan_routes(policy: Policy, bench: BenchTable | None, public_base: str) -> APIRouter:
    """POST /intake/plan and GET /intake/plan/sheet."""
    routes = APIRouter(prefix="/intake", tags=["intake"])

    def sheet(wound: WoundToFit) -> Response:
        return HTMLResponse(plan_sheet(plan_for(wound, policy, bench), policy, bench), headers=HEADERS)

    @routes.post("/plan", openapi_extra=PLAN_REQUEST, responses=answers(PLAN, 200, 400, 413, 415, 422))
    async def plan(request: Request) -> Response:
        """The layout plan before installation: anchors, setback, bands, lengths to cut, targets.

        With `Accept: text/html` the printable sheet; `links.sheet` is its address. Nothing is stored.
        """
        wound = review_wound(strict_json.read(await read_json_body(request)), policy)
        if prefers_html(request.headers.getlist("accept")):
            return sheet(wound)
        view = plan_view(plan_for(wound, policy, bench), policy, bench)
        body = strict_json.write(view | {"links": {"sheet": f"{public_base}/intake/plan/sheet?{_query(wound)}"}})
        return Response(body, media_type="application/json", headers={"Vary": "Accept"})

    @routes.get("/plan/sheet", openapi_extra={"parameters": _PARAMETERS}, responses=_SHEET)
    async def sheet_of_plan(request: Request) -> Response:
        """The printable sheet of a layout plan, with the names of the request as parameters."""
        given = Counter(name for name, _ in request.query_params.multi_items())
        faults = [Fault((name,), "is given more than once") for name, times in given.items() if times > 1]
        try:
            wound = review_wound(numbers_of(request.query_params), policy)
        except Refused as refused:
            faults += refused.faults
        if faults:
            errors = [{"parameter": ".".join(map(str, fault.path)), "detail": fault.detail} for fault in faults]
            return problem(422, f"{len(errors)} fault(s) in the parameters", errors)
        return sheet(wound)

    return routes


def _query(wound: WoundToFit) -> str:
    return urlencode({name: f"{value:f}" for name, value in asdict(wound).items() if value is not None})


def prefers_html(accept: list[str]) -> bool:
    """Whether a client asks for HTML rather than JSON (RFC 9110, 12.5.1); without a wish it gets JSON."""
    wishes: dict[str, float] = {}
    for part in ",".join(accept).split(","):
        media_type, *parameters = (piece.strip().lower() for piece in part.split(";"))
        wishes[media_type] = _quality(parameters)
    html = wishes.get("text/html", 0.0)
    json = next((wishes[name] for name in ("application/json", "application/*", "*/*") if name in wishes), 0.0)
    return html > json


def _quality(parameters: list[str]) -> float:
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return float(value)
            except ValueError:
                return 0.0
    return 1.0


_PARAMETERS = [
    {"name": name, "in": "query", "required": required, "schema": {"type": "number"}}
    for name, required in WOUND_MEMBERS.items()
]
_SHEET = answers(None, 422) | {200: {"description": "The sheet", "content": {"text/html": {}}}}
