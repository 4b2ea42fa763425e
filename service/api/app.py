"""The application, wired up once: `create_app(settings)` serves production and tests alike.

Outside the door stands what tells how to sign in, and what a machine asks to see whether the service is well. All else
is behind it, see `door` and `sites`.
"""

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime

from anyio import to_thread
from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.routing import Mount

from service.access.chart_links import ChartLinks
from service.access.clients import sites_of_clients
from service.access.discovery import read_access_codes, security_of_capability_statement, smart_configuration
from service.access.gate import Gate
from service.access.key_fetch import KeySets
from service.access.opening import demonstration_site
from service.access.settings import AccessSettings
from service.access.token_endpoint import TokenEndpoint
from service.api.answering import answer
from service.api.audit import AuditTrail
from service.api.authorise import authorisation
from service.api.branching import Branches
from service.api.chart import chart_routes
from service.api.cross_origin import CrossOrigin
from service.api.door import Door
from service.api.front import put_in_front
from service.api.health import health_routes
from service.api.limits import Limits
from service.api.metrics import Metrics, metrics_routes
from service.api.openapi_document import openapi_document
from service.api.pages.framed import framed_course_page
from service.api.rate import ClientRate
from service.api.shared import Shared, served_types
from service.api.site_app import registry_app, site_app
from service.api.sites import Sites
from service.api.token import TOKEN_PATH, token_routes
from service.clinic.caution import CAUTION
from service.config import Settings
from service.registry.export.jobs import Exports
from service.registry.export.opening import export_worker
from service.registry.export.running import start_worker
from service.registry.export.settings import export_settings_from
from service.search.dates import microseconds
from service.store import open_store
from service.store.access import AccessDatabase, open_access_database
from service.store.export_reading import open_export_database
from service.store.outbox_rows import Standing, standings
from service.subscriptions.endpoints import Endpoints
from service.workflow.auditing import AuditRecorder

REFRESH_EVERY_S = 60
log = logging.getLogger(__name__)


def utc_now() -> datetime:
    """The server's clock."""
    return datetime.now(UTC)


def create_app(
    settings: Settings,
    clock: Callable[[], datetime] = utc_now,
    *,
    host: str = "127.0.0.1",
    access: AccessSettings | None = None,
    limits: Limits | None = None,
    endpoints: Endpoints | None = None,
) -> FastAPI:
    """The whole service for one set of settings; the database is opened here and closed with the application.

    `host`: the address it is served on; `endpoints`: where notifications may go. Raises StartRefused where it would
    be open to others, and with every fault of the files of any of its sites.
    """
    access = access or AccessSettings()
    limits = limits or Limits()
    metrics = Metrics(settings.software_version, lambda: recorder.waiting, lambda: _standings(database))
    store = open_store(settings.database_url, settings.synchronous)
    store.migrate()
    database = open_access_database(settings.database_url, settings.synchronous)
    open_site = demonstration_site(database, host=host, public_base=settings.public_base, site=settings.site)
    token_url = f"{settings.public_base}{TOKEN_PATH}"
    codes = read_access_codes(settings.mappings)
    security = security_of_capability_statement(codes, token_url)
    links = ChartLinks(database, settings.public_base)
    recorder = AuditRecorder(store, lambda key: sites.site(key), clock)
    export_database = open_export_database(settings.database_url, settings.synchronous)
    exports = Exports(export_database, export_settings_from(settings.database_url))
    shared = Shared(database, recorder, links, security, endpoints or Endpoints(), exports, clock)
    sites = Sites(store, settings, lambda workflow: site_app(workflow, shared))
    for key in (settings.site, *sites_of_clients(database)):
        sites.part(key)
    endpoint = TokenEndpoint(
        database,
        KeySets(access.jwks_hosts, access.jwks_ca_file),
        token_url,
        served_types(),
        more_audiences=access.more_audiences,
        skew_s=access.clock_skew_s,
    )
    door = Door(
        sites,
        authorisation(Gate(database, open_site), clock),
        registry_app(exports, settings, clock),
        lambda: recorder.full,
        ClientRate(limits, time.monotonic),
    )

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        ended = asyncio.Event()
        watch = asyncio.create_task(_mark_overdue(sites, clock, ended))
        stop_exports = start_worker(export_worker(export_database, settings, clock))
        yield
        await to_thread.run_sync(stop_exports)
        ended.set()  # not cancelled: a write that is under way comes to its end before the database is closed
        await watch
        await to_thread.run_sync(recorder.close)
        export_database.close()
        database.close()
        store.close()

    app = FastAPI(
        title="closure-readings",
        version=settings.software_version,
        description=CAUTION,
        lifespan=life,
        docs_url=None,
        redoc_url=None,
    )
    outside = Branches(
        health_routes(store, lambda: recorder.full),
        metrics_routes(metrics, limits.metrics_readers),
        token_routes(endpoint, smart_configuration(codes, token_url, served_types()), clock),
        chart_routes(links, sites, framed_course_page, access.frame_origins, lambda: recorder.full, clock),
        last=[Mount("/", door)],
    )
    app.openapi = lambda: openapi_document(app, outside, sites)  # type: ignore[method-assign]  # the framework's own way to extend it
    app.mount("/", outside)
    app.state.sites = sites
    app.add_middleware(
        AuditTrail, recorder=recorder, home=settings.site, server=settings.public_base, clock=clock, crash=answer
    )
    app.add_middleware(CrossOrigin, origins=settings.allowed_origins)  # outermost: a preflight asks for nothing
    put_in_front(app, limits, metrics, time.monotonic)
    app.add_exception_handler(Exception, answer)
    app.add_exception_handler(HTTPException, answer)
    return app


async def _mark_overdue(sites: Sites, clock: Callable[[], datetime], ended: asyncio.Event) -> None:
    """Every minute: resets that became overdue get their Flag and an urgent Task without anybody charting."""
    while not ended.is_set():
        try:
            await to_thread.run_sync(mark_overdue, sites, clock())
        except Exception as fault:
            log.error("marking overdue resets failed: %s", type(fault).__name__)
        with suppress(TimeoutError):
            await asyncio.wait_for(ended.wait(), REFRESH_EVERY_S)


def mark_overdue(sites: Sites, now: datetime) -> int:
    """The same once, for all sites; returns how many courses changed. What fails at one site stops no other."""
    changed = 0
    for key in sites.store.sites_with_resets(microseconds(now)):
        try:
            changed += sites.part(key).workflow.mark_overdue(now)
        except Exception as fault:
            log.error("marking overdue resets failed: %s", type(fault).__name__, extra={"site": key})
    return changed


def _standings(database: AccessDatabase) -> list[Standing]:
    with database.read() as connection:
        return standings(connection)
