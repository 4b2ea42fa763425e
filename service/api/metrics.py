"""Numbers for a monitoring system, in the text format of Prometheus. Of the service, never of a patient or a course.

Routes are shown by their template. A process has its own numbers and its own port: with several, each is read by
itself. Not on the network unless it is asked for: from this machine, and from the addresses that
CLOSURE_READINGS_METRICS_READERS names; everybody else is told that there is no such page.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress

from fastapi import APIRouter
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service import counting
from service.access.opening import asked_on_loopback
from service.config import LOOPBACK
from service.store.errors import StoreError
from service.store.outbox_rows import Standing

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
# In seconds: a stored read takes about a millisecond, a whole-course write some tens, a large page more.
BUCKETS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60)
_PASSED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")


class Metrics:
    """The numbers of one process."""

    def __init__(
        self,
        version: str,
        audit_waiting: Callable[[], int] = lambda: 0,
        standings: Callable[[], Sequence[Standing]] = tuple,
    ) -> None:
        """`standings`: what waits for each destination and what is held there, asked when the numbers are read."""
        self.registry = CollectorRegistry()
        self.answered = Counter(
            "closure_requests", "Requests answered", ("method", "route", "status"), registry=self.registry
        )
        self.took = Histogram(
            "closure_request_seconds",
            "From the request's header to the end of its answer",
            ("method", "route"),
            buckets=BUCKETS_S,
            registry=self.registry,
        )
        self.in_flight = Gauge("closure_requests_in_flight", "Requests under way", registry=self.registry)
        waiting = Gauge("closure_audit_events_waiting", "Accesses not yet recorded", registry=self.registry)
        waiting.set_function(audit_waiting)
        build = Gauge("closure_build", "Version of the service", ("version",), registry=self.registry)
        build.labels(version).set(1)
        self.registry.register(_Counted())
        self.registry.register(_Deliveries(standings))
        ProcessCollector(registry=self.registry)

    def text(self) -> bytes:
        """Everything in the text format."""
        return generate_latest(self.registry)


class _Counted:
    """What other layers counted (`service.counting`)."""

    def collect(self) -> Iterator[CounterMetricFamily]:
        """One family a name, also while nothing was counted."""
        for name, (label, says) in counting.NAMES.items():
            family = CounterMetricFamily(f"closure_{name}", says, labels=(label,) if label else ())
            counts = counting.counted(name)
            for value, number in (counts or ({} if label else {"": 0})).items():
                family.add_metric((value,) if label else (), number)
            yield family


class _Deliveries:
    """What is to go to each destination. It is the same in every process: it stands in the database."""

    def __init__(self, standings: Callable[[], Sequence[Standing]]) -> None:
        self._standings = standings

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Gauges by site and destination; none of them while the database does not answer."""
        by = ("site", "destination")
        waiting = GaugeMetricFamily("closure_deliveries_waiting", "Writes not yet delivered", labels=by)
        held = GaugeMetricFamily("closure_deliveries_held", "Courses held until a person decides", labels=by)
        since = "When the oldest of them was queued, seconds since 1970"
        oldest = GaugeMetricFamily("closure_deliveries_oldest_queued_seconds", since, labels=by)
        with suppress(StoreError):
            for each in self._standings():
                named = (each.site, each.destination)
                waiting.add_metric(named, each.waiting)
                held.add_metric(named, each.courses_held)
                if each.oldest_at is not None:
                    oldest.add_metric(named, each.oldest_at / 1_000_000)
        yield from (waiting, held, oldest)


def metrics_routes(metrics: Metrics, readers: frozenset[str]) -> APIRouter:
    """GET /metrics, for loopback and `readers`."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/metrics")
    async def read(request: Request) -> Response:
        """The numbers as text."""
        if not may_read(request, readers):
            raise HTTPException(404, "Not Found")
        return Response(metrics.text(), media_type=CONTENT_TYPE, headers={"Cache-Control": "no-store"})

    return routes


def may_read(request: Request, readers: frozenset[str]) -> bool:
    """Whether a request is from a named address, or from this machine itself and not passed on by a proxy here."""
    address = request.client.host if request.client else ""
    if address in readers:
        return True
    passed_on = any(name in request.headers for name in _PASSED_ON)
    return address in LOOPBACK and asked_on_loopback(request.headers.get("host", ""), passed_on)
