"""The application, wired up once: `create_app(settings)` serves production and tests alike."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime
from typing import Any

from anyio import to_thread
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api.audit import AuditTrail
from service.api.audit_reading import audit_routes
from service.api.cross_origin import CrossOrigin
from service.api.documentation import schemas
from service.api.fhir_side import fhir_side
from service.api.intake import intake_routes
from service.api.outcomes import answer_outcome
from service.api.plan import plan_routes
from service.api.problems import answer_problem, problem
from service.api.start import start_routes
from service.clinic.caution import CAUTION
from service.config import Settings
from service.workflow import Workflow, open_workflow
from service.workflow.auditing import AuditRecorder

REFRESH_EVERY_S = 60
log = logging.getLogger(__name__)


def utc_now() -> datetime:
    """The server's clock."""
    return datetime.now(UTC)


def create_app(settings: Settings, clock: Callable[[], datetime] = utc_now) -> FastAPI:
    """The whole service for one set of settings; the database is opened here and closed with the application."""
    workflow = open_workflow(settings)
    recorder = AuditRecorder(workflow.store, workflow.site, clock)

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        ended = asyncio.Event()
        watch = asyncio.create_task(_mark_overdue(workflow, clock, ended))
        yield
        ended.set()  # not cancelled: a write that is under way comes to its end before the database is closed
        await watch
        await to_thread.run_sync(recorder.close)
        workflow.close()

    app = FastAPI(
        title="closure-readings",
        version=settings.software_version,
        description=CAUTION,
        lifespan=life,
        docs_url=None,
        redoc_url=None,
    )
    app.include_router(start_routes(workflow, settings, clock))
    app.include_router(intake_routes(workflow, settings.public_base, clock))
    app.include_router(plan_routes(workflow.site.policy, workflow.site.bench, settings.public_base))
    app.include_router(audit_routes(workflow.store, settings, recorder))
    app.include_router(fhir_side(workflow, settings, clock))
    app.add_middleware(AuditTrail, recorder=recorder, server=settings.public_base, clock=clock, crash=_answer)
    app.add_middleware(CrossOrigin, origins=settings.allowed_origins)  # outermost: a preflight asks for nothing
    app.add_exception_handler(Exception, _answer)
    app.add_exception_handler(HTTPException, _answer)
    app.openapi = lambda: _document(app)  # type: ignore[method-assign]  # the framework's own way to extend it
    return app


async def _mark_overdue(workflow: Workflow, clock: Callable[[], datetime], ended: asyncio.Event) -> None:
    """Every minute: resets that became overdue get their Flag and an urgent Task without anybody charting."""
    while not ended.is_set():
        try:
            await to_thread.run_sync(lambda: workflow.mark_overdue(clock()))
        except Exception as fault:
            log.error("marking overdue resets failed: %s", type(fault).__name__)
        with suppress(TimeoutError):
            await asyncio.wait_for(ended.wait(), REFRESH_EVERY_S)


async def _answer(request: Request, fault: Exception) -> Response:
    """One error shape for each side: OperationOutcome below /fhir, problem documents elsewhere."""
    if request.url.path == "/fhir" or request.url.path.startswith("/fhir/"):
        outcome: Response = await answer_outcome(request, fault)
        return outcome
    if isinstance(fault, HTTPException):
        answer = problem(fault.status_code, str(fault.detail))
        answer.headers.update(fault.headers or {})
        return answer
    return await answer_problem(request, fault)


def _document(app: FastAPI) -> dict[str, Any]:
    if app.openapi_schema is None:
        document = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        document.setdefault("components", {}).setdefault("schemas", {}).update(schemas())
        app.openapi_schema = document
    return app.openapi_schema
