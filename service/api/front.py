"""What stands in front of the application: it is observed, then limited by rate, then by the time a body may take."""

from collections.abc import Callable

from anyio import to_thread
from fastapi import FastAPI
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.body_time import BodyTime
from service.api.limits import Limits
from service.api.metrics import Metrics
from service.api.observing import Observed
from service.api.rate import AddressRate


def put_in_front(app: FastAPI, limits: Limits, metrics: Metrics, monotonic: Callable[[], float]) -> None:
    """Add the layers outside of those that the application has already: call it last."""
    app.add_middleware(BodyTime, within_s=limits.body_s, monotonic=monotonic)
    app.add_middleware(AddressRate, limits=limits, monotonic=monotonic)
    app.add_middleware(WorkerThreads, most=limits.worker_threads)
    app.add_middleware(Observed, metrics=metrics, monotonic=monotonic)


class WorkerThreads:
    """Sets how many threads work at once, as the application starts; further work waits for one."""

    def __init__(self, app: ASGIApp, most: int) -> None:
        self._app = app
        self._most = most

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on."""
        if scope["type"] == "lifespan":
            to_thread.current_default_thread_limiter().total_tokens = self._most
        await self._app(scope, receive, send)
