"""Chart links over HTTP: a client asks for one, a browser opens it once and then reads that course alone."""

from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from typing import Any

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service import strict_json
from service.access.chart_links import COURSES, LINKS, ChartLinks, Opened, page_headers
from service.access.gate import Access
from service.api.audit import require_record
from service.api.authorise import as_http
from service.api.bodies import read_json_body
from service.api.documentation import answers
from service.api.pages.framed import framed_fault_page
from service.api.problems import problem
from service.api.sites import Sites
from service.workflow import UnknownCourse, Workflow

Page = Callable[[Workflow, str, datetime], str]  # of a course, by its id
_REQUEST: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {
                    "type": "object",
                    "required": ["course_id"],
                    "additionalProperties": False,
                    "properties": {"course_id": {"type": "string"}},
                },
                "example": {"course_id": "alder-lower-leg-1"},
            }
        },
    }
}
_MADE: dict[int | str, dict[str, Any]] = {
    201: {"description": "`url`, to be opened once, and `expires_at`", "content": {"application/json": {}}}
}


def link_routes(workflow: Workflow, links: ChartLinks, clock: Callable[[], datetime]) -> APIRouter:
    """POST /chart/links: for the clients of one site."""
    routes = APIRouter(tags=["chart"])

    def made(access: Access, course_id: str) -> bytes:
        now = clock()
        workflow.course_view(course_id, now)  # whether it is there is asked of the client's own site
        link = links.make(access, course_id, now)
        return strict_json.write({"url": link.url, "expires_at": link.expires_at.isoformat(timespec="seconds")})

    @routes.post(LINKS, status_code=201, openapi_extra=_REQUEST, responses=answers(None, 403, 404, 415, 422) | _MADE)
    async def make_link(request: Request) -> Response:
        """Get a URL that opens one course once, within a minute, in the chart's browser frame."""
        document = strict_json.read(await read_json_body(request))
        course_id = document.get("course_id") if isinstance(document, dict) else None
        if not isinstance(course_id, str) or set(document) != {"course_id"}:
            told = {"pointer": "/course_id", "detail": "is needed, a text, and nothing beside it"}
            return problem(422, "1 fault(s); no link was made", [told])
        with as_http():
            body = await to_thread.run_sync(made, request.state.access, course_id)
        headers = {"Cache-Control": "no-store"}
        return Response(body, 201, headers, media_type="application/json")

    return routes


def chart_routes(
    links: ChartLinks,
    sites: Sites,
    page: Page,
    frame_origins: Sequence[str],
    audit_is_full: Callable[[], bool],
    clock: Callable[[], datetime],
) -> APIRouter:
    """What a browser asks for: the link, then the course. `page` renders a course, to be read only."""
    routes = APIRouter(tags=["chart"])
    headers = page_headers(frame_origins)

    def shown(request: Request, course_id: str) -> str:
        now = clock()
        session = links.session(request.cookies.get(links.cookie), now)
        request.state.site = session.site
        request.state.audited_client = session.client_id
        session.require(course_id)
        require_record(audit_is_full())
        request.state.shown_courses = [course_id]
        return page(sites.part(session.site).workflow, course_id, now)

    async def told(answer: Awaitable[Response]) -> Response:
        """The answer; a refusal as a page, since a person looks at the frame."""
        try:
            return await answer
        except HTTPException as refusal:
            body = framed_fault_page(refusal.status_code, str(refusal.detail))
            return HTMLResponse(body, refusal.status_code, {**headers, **(refusal.headers or {})})

    @routes.get(LINKS + "/{secret}", include_in_schema=False)
    async def open_link(request: Request, secret: str) -> Response:
        """Turn the link into a session and go on to the course; it cannot be opened again."""
        return await told(opened(request, secret))

    @routes.get(COURSES + "/{course_id}", include_in_schema=False)
    async def read_course(request: Request, course_id: str) -> Response:
        """The course of the session, to be read."""
        return await told(course_of(request, course_id))

    async def opened(request: Request, secret: str) -> Response:
        with as_http():
            link: Opened = await to_thread.run_sync(lambda: links.open(secret, clock()))
        request.state.site = link.session.site
        request.state.audited_client = link.session.client_id
        return RedirectResponse(link.location, 303, {**headers, "Set-Cookie": link.set_cookie})

    async def course_of(request: Request, course_id: str) -> Response:
        with as_http():
            try:
                body = await to_thread.run_sync(shown, request, course_id)
            except UnknownCourse as fault:
                raise HTTPException(404, "no such course at this site") from fault
        return HTMLResponse(body, headers=headers)

    return routes
