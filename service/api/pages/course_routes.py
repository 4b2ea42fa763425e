"""The page of a course and its hand-over sheet."""

from collections.abc import Callable
from datetime import datetime

from anyio import to_thread
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from service.api.pages.answering import WARD, as_page, ward_root
from service.api.pages.course_page import course_page
from service.api.pages.rendering import page_headers
from service.api.pages.sent import sent_of
from service.config import Settings
from service.report.hand_over import hand_over_sheet
from service.report.story import story_of, story_within
from service.workflow import Workflow


def course_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET /ward/courses/{id} and /ward/courses/{id}/sheet.pdf."""
    routes = APIRouter(include_in_schema=False)
    root = ward_root(settings)

    def shown(course_id: str, saved: str) -> str:
        with workflow.store.read(workflow.site.key) as unit:
            story = story_within(workflow, unit, course_id, clock())
            row = unit.course(course_id)
            sent = sent_of(unit, course_id, row.patient_id) if row is not None else None
        return course_page(story, saved=saved, root=root, sent=sent)

    async def course(request: Request, course_id: str) -> Response:
        body = await to_thread.run_sync(shown, course_id, request.query_params.get("saved", ""))
        request.state.shown_courses = [course_id]
        return HTMLResponse(body, headers=page_headers())

    async def sheet(request: Request, course_id: str) -> Response:
        body = await to_thread.run_sync(lambda: hand_over_sheet(story_of(workflow, course_id, clock())))
        request.state.shown_courses = [course_id]
        headers = {"Content-Disposition": f'inline; filename="{course_id}.pdf"', "Cache-Control": "no-store"}
        headers["X-Content-Type-Options"] = "nosniff"
        return Response(body, media_type="application/pdf", headers=headers)

    routes.add_api_route(f"{WARD}/courses/{{course_id}}", as_page(course, settings), methods=["GET"])
    routes.add_api_route(f"{WARD}/courses/{{course_id}}/sheet.pdf", as_page(sheet, settings), methods=["GET"])
    return routes
