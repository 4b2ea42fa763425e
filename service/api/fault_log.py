"""What a log may say of a fault: where and of which type. Never its text or a value: both may be about a patient."""

import logging
import traceback
from pathlib import Path

from starlette.requests import Request

_PACKAGE = Path(__file__).resolve().parents[1]
_PLACES = 6

log = logging.getLogger(__name__)


def log_fault(request: Request, status: int, fault: BaseException) -> None:
    """One line with the route (not the address, which may name a course), the request's id, types and places."""
    route = getattr(request.scope.get("route"), "path", "no route")
    request_id = request.scope.get("state", {}).get("request_id", "none")
    log.error("%s %s answered %d, request %s: %s", request.method, route, status, request_id, told(fault))


def told(fault: BaseException) -> str:
    """Types of a fault and of what caused it, and the places in this package it came through, innermost first."""
    kinds = [type(fault).__name__]
    deepest = fault
    while (cause := deepest.__cause__) is not None and len(kinds) < _PLACES:
        kinds.append(type(cause).__name__)
        deepest = cause
    frames = traceback.extract_tb(deepest.__traceback__)
    own = [frame for frame in frames if Path(frame.filename).is_relative_to(_PACKAGE)]
    places = [f"{Path(each.filename).relative_to(_PACKAGE)}:{each.lineno}" for each in reversed(own[-_PLACES:])]
    return f"{' from '.join(kinds)} at {', '.join(places) or 'no place of this service'}"
