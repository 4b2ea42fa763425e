"""The page that shows where to go."""

from collections.abc import Callable
from datetime import datetime
from importlib.resources import files

from anyio import to_thread
from fastapi import APIRouter
from jinja2 import Environment, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from service.clinic.caution import CAUTION
from service.config import Settings
from service.workflow import Workflow

SHOWN = 20
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


def start_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET / (the start page) and GET /health."""
    routes = APIRouter(include_in_schema=False)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("service").joinpath("templates/start.html").read_text("utf-8"))

    def page(shown: list[str]) -> str:
        now = clock()
        due = workflow.due_board(24, now)["due"][:SHOWN]
        courses = workflow.courses_page(None, None, SHOWN, now)["courses"]
        shown += [row["course_id"] for row in (*due, *courses)]
        return template.render(
            site=settings.site,
            zone=settings.zone,
            version=settings.software_version,
            open_demonstration=True,
            caution=CAUTION,
            fhir_base=settings.fhir_base,
            due=due,
            courses=courses,
        )

    @routes.get("/")
    async def start(request: Request) -> Response:
        """The start page."""
        shown: list[str] = []
        request.state.shown_courses = shown  # for the audit record
        return HTMLResponse(await to_thread.run_sync(page, shown), headers={"Content-Security-Policy": POLICY})

    @routes.get("/health")
    async def health() -> Response:
        """204 while the database answers."""
        await to_thread.run_sync(workflow.ready)
        return Response(status_code=204)

    return routes
