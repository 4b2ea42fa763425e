"""Around every request: its id, one line in the log and its numbers. The outermost layer.

What is told of a request: method, the route's template (the address may name a course, the query a patient), status,
duration, the client's id and its site. Both are read from `scope["state"]` after the answer (`audited_client`, `site`);
the route from the scope, so that layers in between must pass the scope on and not a copy of it.
"""

import logging
import re
from collections.abc import Callable
from random import Random, SystemRandom
from uuid import UUID

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from structlog.contextvars import bound_contextvars

from service import counting
from service.api.metrics import Metrics
from service.logs import told

REQUEST_ID = "X-Request-Id"
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_NAMES = Random(SystemRandom().getrandbits(256))
_CLEAN = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)

# Own words: those of the standard library for some statuses changed between versions of Python.
_REASONS = {
    400: "not-understood",
    401: "not-signed-in",
    403: "forbidden",
    404: "not-found",
    405: "method",
    406: "not-acceptable",
    409: "conflict",
    410: "deleted",
    412: "precondition",
    413: "too-large",
    415: "media-type",
    422: "not-valid",
    429: "rate",
    500: "fault",
    503: "unavailable",
}

log = logging.getLogger(__name__)


class Observed:
    """Gives a request its id, which every log line until its answer carries, also those of worker threads."""

    def __init__(self, app: ASGIApp, metrics: Metrics, monotonic: Callable[[], float]) -> None:
        self._app = app
        self._metrics = metrics
        self._monotonic = monotonic

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._beside(scope, receive, send)
            return
        given = Headers(scope=scope).get(REQUEST_ID, "")
        request_id = given if _CLEAN.fullmatch(given) else new_request_id()
        scope.setdefault("state", {})["request_id"] = request_id
        with bound_contextvars(request_id=request_id):
            await self._serve(scope, receive, send, request_id)

    async def _serve(self, scope: Scope, receive: Receive, send: Send, request_id: str) -> None:
        started, status, complete = self._monotonic(), 0, False

        async def noting(message: Message) -> None:
            nonlocal status, complete
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)[REQUEST_ID] = request_id
            elif message["type"] == "http.response.body":
                complete = not message.get("more_body", False)
            await send(message)

        self._metrics.in_flight.inc()
        try:
            await self._app(scope, receive, noting)
        except Exception:
            status = status or 500  # answered further outside, by the framework
            raise
        finally:
            self._metrics.in_flight.dec()
            self._tell(scope, status, complete, self._monotonic() - started)

    def _tell(self, scope: Scope, status: int, complete: bool, took_s: float) -> None:
        method = scope["method"] if scope["method"] in METHODS else "other"
        route, state = route_of(scope), scope["state"]
        self._metrics.answered.labels(method, route, status).inc()
        self._metrics.took.labels(method, route).observe(took_s)
        reason = state.get("refusal", "") or _reason(status)
        if reason and "refusal" not in state:  # what named its reason has counted itself
            counting.count("refusals", reason)
        told_of = {
            "method": method,
            "route": route,
            "status": status,
            "duration_ms": round(took_s * 1000, 2),
            "client": state.get("audited_client"),
            "site": state.get("site"),
            "reason": reason,
            "broken": not complete,
        }
        log.info("request", extra={name: value for name, value in told_of.items() if value not in (None, "", False)})

    async def _beside(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Start and end of the application: the server would write a fault's text, which is told here without it."""
        try:
            await self._app(scope, receive, send)
        except Exception as fault:
            log.critical("the service could not start or end: %s", told(fault))
            raise


def new_request_id() -> str:
    """A random UUID (RFC 9562 version 4): a name, no secret, so that the system's source of secrets is not asked."""
    return str(UUID(int=_NAMES.getrandbits(128), version=4))


def route_of(scope: Scope) -> str:
    """The template of the route that answered; `none` where no route did."""
    return str(getattr(scope.get("route"), "path", "none"))


def _reason(status: int) -> str:
    return _REASONS.get(status, "other") if status >= 400 else ""
