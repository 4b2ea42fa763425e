"""The page that shows where to go."""

from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from typing import Any
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from jinja2 import Environment, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from service.access.gate import Access
from service.access.scopes import INTAKE_READ
from service.clinic.caution import CAUTION
from service.config import Settings
from service.report.labels import Local, label
from service.report.texts import speaking
from service.workflow import Workflow

SHOWN = 20
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


def start_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET /, the start page."""
    routes = APIRouter(include_in_schema=False)
    environment = speaking(
        Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    )
    environment.filters["label"] = label
    template = environment.from_string(files("service").joinpath("templates/start.html").read_text("utf-8"))

    local = Local(ZoneInfo(settings.zone))

    def page(signed_in: bool, demonstration: bool, shown: list[str]) -> str:
        due: list[dict[str, Any]] = []
        courses: list[dict[str, Any]] = []
        if signed_in:
            now = clock()
            due = workflow.due_board(24, now)["due"][:SHOWN]
            courses = workflow.courses_page(None, None, SHOWN, now)["courses"]
        shown += [row["course_id"] for row in (*due, *courses)]
        return template.render(
            site=settings.site,
            zone=settings.zone,
            local=local,
            version=settings.software_version,
            signed_in=signed_in,
            open_demonstration=demonstration,
            caution=CAUTION,
            fhir_base=settings.fhir_base,
            due=due,
            courses=courses,
        )

    @routes.get("/")
    async def start(request: Request) -> Response:
        """The start page; nothing of anybody for who is not signed in."""
        shown: list[str] = []
        request.state.shown_courses = shown  # for the audit record
        access = request.state.access  # set by the door
        demonstration = access is not None and access.kind == "demonstration"
        body = await to_thread.run_sync(page, _sees_courses(access), demonstration, shown)
        return HTMLResponse(body, headers={"Content-Security-Policy": POLICY})

    return routes


def _sees_courses(access: Access | None) -> bool:
    """Whether who asks may read what the intake holds: without a token, or with one for something else, nothing."""
    return access is not None and access.site is not None and INTAKE_READ in access.scopes.own
