"""The intake side: what a bedside application, a flowsheet export or a person with a text editor sends."""

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any, TypeVar

from anyio import to_thread
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.api.bodies import read_json_body
from service.api.documentation import (
    COURSE_FILE,
    COURSES_PAGE,
    COURSES_QUERY,
    DUE_BOARD,
    DUE_QUERY,
    ENTRIES,
    VIEW,
    answers,
)
from service.api.problems import BadQuery
from service.api.routing import PathRoute
from service.workflow import Recorded, Workflow

DEFAULT_PAGE = 50
LARGEST_PAGE = 200
LONGEST_LOOK_AHEAD_H = 24 * 366
HOURS = re.compile(r"\d{1,5}(\.\d{1,3})?", re.ASCII)
COURSE_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII)
Answer = TypeVar("Answer")


def intake_routes(workflow: Workflow, public_base: str, clock: Callable[[], datetime]) -> APIRouter:
    """The calls of the intake contract under /intake."""
    routes = APIRouter(prefix="/intake", tags=["intake"], route_class=PathRoute)

    def recorded(done: Recorded) -> Response:
        location = f"{public_base}/intake/courses/{done.course_id}"
        return _json(done.view, 201 if done.changed else 200, {"Location": location})

    @routes.post(
        "/courses",
        status_code=201,
        openapi_extra=COURSE_FILE,
        responses=answers(VIEW, 201, 200, 400, 409, 413, 415, 422),
    )
    async def send_course(request: Request) -> Response:
        """Record a course file. The same file again changes nothing (200); further entries are added (201)."""
        body = await read_json_body(request)
        return recorded(await _in_thread(lambda: workflow.record_course(strict_json.read(body), clock())))

    @routes.get("/courses", openapi_extra=COURSES_QUERY, responses=answers(COURSES_PAGE, 200, 422))
    async def list_courses(request: Request) -> Response:
        """A page of course views without entries. `next_cursor` is there while more courses follow."""
        state, cursor = request.query_params.get("state"), request.query_params.get("cursor")
        if state not in (None, "open", "closed"):
            raise BadQuery("state", "must be open or closed")
        if cursor is not None and not COURSE_ID.fullmatch(cursor):
            raise BadQuery("cursor", "is none that this service gave out")
        limit = _whole(request, "limit", DEFAULT_PAGE, LARGEST_PAGE)
        return _json(await _in_thread(lambda: workflow.courses_page(state, cursor, limit, clock())))

    @routes.get("/courses/{course_id}", responses=answers(VIEW, 200, 404))
    async def view_course(course_id: str) -> Response:
        """The course view: latest figures, bands with their targets, next reset, counts, alerts, entries as charted."""
        return _json(await _in_thread(lambda: workflow.course_view(course_id, clock())))

    @routes.post(
        "/courses/{course_id}/entries",
        status_code=201,
        openapi_extra=ENTRIES,
        responses=answers(VIEW, 201, 200, 400, 404, 409, 413, 415, 422),
    )
    async def send_entries(course_id: str, request: Request) -> Response:
        """Record one entry or a list, all or nothing. An entry sent again changes nothing (200)."""
        body = await read_json_body(request)
        return recorded(await _in_thread(lambda: workflow.record_entries(course_id, strict_json.read(body), clock())))

    @routes.post("/preview", openapi_extra=COURSE_FILE, responses=answers(None, 200, 400, 409, 413, 415, 422))
    async def preview(request: Request) -> Response:
        """The FHIR transaction Bundle that a course file would give. Nothing is stored."""
        body = await read_json_body(request)
        bundle = await _in_thread(lambda: workflow.preview(strict_json.read(body), clock()))
        return Response(bundle, media_type="application/fhir+json")

    @routes.get("/due", openapi_extra=DUE_QUERY, responses=answers(DUE_BOARD, 200, 422))
    async def due(request: Request) -> Response:
        """The due board: every open reset due within `within_h` hours (default 24), most overdue first."""
        ahead = _hours(request, "within_h", 24)
        return _json(await _in_thread(lambda: workflow.due_board(ahead, clock())))

    return routes


async def _in_thread(work: Callable[[], Answer]) -> Answer:
    return await to_thread.run_sync(work)


def _json(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(strict_json.write(value), status, headers, media_type="application/json")


def _whole(request: Request, name: str, default: int, largest: int) -> int:
    given = request.query_params.get(name)
    if given is None:
        return default
    if not (given.isascii() and given.isdecimal() and 1 <= int(given) <= largest):
        raise BadQuery(name, f"must be a whole number from 1 to {largest}")
    return int(given)


def _hours(request: Request, name: str, default: float) -> float:
    given = request.query_params.get(name)
    if given is None:
        return default
    if not HOURS.fullmatch(given) or float(given) > LONGEST_LOOK_AHEAD_H:
        raise BadQuery(name, f"must be a number of hours from 0 to {LONGEST_LOOK_AHEAD_H}")
    return float(given)
