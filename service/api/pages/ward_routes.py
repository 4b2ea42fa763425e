"""The due board, what waits for other servers, the layout plan, and the script of the ward."""

from collections.abc import Callable, Mapping
from datetime import datetime
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from service.api.pages.answering import WARD, as_page, ward_root
from service.api.pages.board import read_board
from service.api.pages.deliveries import read_deliveries, read_standing
from service.api.pages.members import member_label
from service.api.pages.rendering import environment, page, script
from service.clinic.layout import WOUND_MEMBERS, plan_for
from service.clinic.layout_words import plan_view, rounded_up
from service.config import Settings
from service.intake.faults import Refused
from service.intake.planning import numbers_of, review_wound
from service.projection import Site
from service.report.labels import Local, away
from service.workflow import Workflow

A_YEAR = "private, max-age=31536000, immutable"  # its address holds its digest


def ward_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET /ward, /ward/deliveries, /ward/plan and /ward/ward.js."""
    routes = APIRouter(include_in_schema=False)
    root = ward_root(settings)
    local = Local(ZoneInfo(settings.zone))
    around: dict[str, Any] = {"root": root, "framed": False}
    environment().filters["rounded_up"] = rounded_up

    async def board(request: Request) -> Response:
        now = clock()
        rows = await to_thread.run_sync(read_board, workflow, now)
        request.state.shown_courses = [row.course_id for row in rows]
        standing = await to_thread.run_sync(read_standing, workflow)
        return page("board.html", rows=rows, standing=standing, now=now, site=settings.site, local=local, **around)

    async def deliveries(request: Request) -> Response:
        now = clock()
        found = await to_thread.run_sync(read_deliveries, workflow)
        request.state.shown_courses = found.course_ids

        def ago(told: str) -> str:
            return away(datetime.fromisoformat(told) - now)

        return page("deliveries.html", deliveries=found, now=now, ago=ago, site=settings.site, local=local, **around)

    async def plan(request: Request) -> Response:
        return page("plan.html", **around, **_plan(workflow.site, dict(request.query_params), root))

    async def ward_script(request: Request) -> Response:
        headers = {"Cache-Control": A_YEAR, "X-Content-Type-Options": "nosniff"}
        return Response(script(), media_type="text/javascript", headers=headers)

    routes.add_api_route(WARD, as_page(board, settings), methods=["GET"])
    routes.add_api_route(f"{WARD}/deliveries", as_page(deliveries, settings), methods=["GET"])
    routes.add_api_route(f"{WARD}/plan", as_page(plan, settings), methods=["GET"])
    routes.add_api_route(f"{WARD}/ward.js", ward_script, methods=["GET"])
    return routes


def _plan(site: Site, given: Mapping[str, str], root: str) -> dict[str, Any]:
    """The form with what was typed, its faults, and the plan where there are none."""
    typed = {name: text.strip() for name, text in given.items() if text.strip() and name in WOUND_MEMBERS}
    words = {
        name: SimpleNamespace(said=member_label(name), required=required) for name, required in WOUND_MEMBERS.items()
    }
    shown: dict[str, Any] = {"words": words, "given": typed, "faults": {}, "plan": None, "sheet": ""}
    if typed:
        try:
            wound = review_wound(numbers_of(typed), site.policy)
        except Refused as refused:
            return shown | {"faults": {str(fault.path[0]): fault.detail for fault in refused.faults if fault.path}}
        sheet = f"{root.removesuffix(WARD)}/intake/plan/sheet?{urlencode(typed)}"
        shown |= {"plan": plan_view(plan_for(wound, site.policy, site.bench), site.policy, site.bench), "sheet": sheet}
    return shown
