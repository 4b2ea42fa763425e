"""Whether the service is well, for machines that watch it; nobody signs in for it and nothing of anybody is told.

`/live` asks nobody: it fails when the process hangs, and a database that is away is no reason to end the process.
`/ready` asks what every request needs. `/health` asks the database alone.
"""

from collections.abc import Callable

from anyio import to_thread
from fastapi import APIRouter
from starlette.responses import Response

from service.api.problems import problem
from service.store import Store
from service.store.errors import StoreError

_NOT_KEPT = {"Cache-Control": "no-store"}
_RETRY_AFTER_S = "5"


def health_routes(store: Store, audit_full: Callable[[], bool] = lambda: False) -> APIRouter:
    """GET /health, /live and /ready. `audit_full` says that no access can be recorded at the moment."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/health")
    async def health() -> Response:
        """204 while the database answers."""
        await to_thread.run_sync(store.ready)
        return Response(status_code=204)

    @routes.get("/live")
    async def live() -> Response:
        """204 while the process answers."""
        return Response(status_code=204, headers=_NOT_KEPT)

    @routes.get("/ready")
    async def ready() -> Response:
        """204 while requests can be served; 503 with the reason."""
        reason = await to_thread.run_sync(not_ready, store, audit_full)
        if reason is None:
            return Response(status_code=204, headers=_NOT_KEPT)
        answer = problem(503, reason)
        answer.headers.update({"Retry-After": _RETRY_AFTER_S, **_NOT_KEPT})
        return answer

    return routes


def not_ready(store: Store, audit_full: Callable[[], bool]) -> str | None:
    """Why requests cannot be served, in words that name no value; None when they can."""
    if audit_full():
        return "accesses cannot be recorded at the moment, so that none may take place"
    try:
        store.ready()
    except StoreError as fault:
        return str(fault)
    return None
