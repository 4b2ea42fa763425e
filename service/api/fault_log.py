"""What a log may say of a fault: where and of which type. Never its text or a value: both may be about a patient."""

import logging

from starlette.requests import Request

from service.logs import told

__all__ = ["log_fault", "told"]

log = logging.getLogger(__name__)


def log_fault(request: Request, status: int, fault: BaseException) -> None:
    """One line with the route (not the address, which may name a course), the request's id, types and places."""
    route = getattr(request.scope.get("route"), "path", "no route")
    request_id = request.scope.get("state", {}).get("request_id", "none")
    log.error("%s %s answered %d, request %s: %s", request.method, route, status, request_id, told(fault))
