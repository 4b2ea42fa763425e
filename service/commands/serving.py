"""`serve`: the HTTP service, open as a demonstration on loopback, else behind access control and TLS."""

import gc
import logging
import ssl
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.config import DEFAULT_PUBLIC_BASE, Settings, settings_from

if TYPE_CHECKING:
    import uvicorn

    from service.api.limits import Limits

FILES_KEPT_BACK = 256  # of the files a process may open: database, logs, worker threads

log = logging.getLogger(__name__)


def run_server(
    host: str,
    port: int,
    examples_when_empty: bool,
    tls_certificate: Path | None = None,
    tls_key: Path | None = None,
) -> int:
    """Serve until interrupted or terminated; what is under way then comes to its end. 2 where the start is refused."""
    from service.access.opening import DEMONSTRATION_SITE
    from service.access.settings import access_settings_from
    from service.api.limits import limits_from
    from service.commands.tls import tls_context
    from service.logs import log_settings_from, set_up_logging
    from service.subscriptions.endpoints import endpoints_from

    try:
        limits = limits_from()
        access = access_settings_from()
        endpoints = endpoints_from()
        log_settings = log_settings_from()
        tls = tls_context(tls_certificate, tls_key)
    except ValueError as fault:
        return _refuse(f"refused: {fault}")
    set_up_logging(log_settings)
    settings = with_base(settings_from(), host, port, tls is not None)
    if (refused := start_refusal(host, settings)) is not None:
        return _refuse(f"refused: {refused}")
    if examples_when_empty and settings.site == DEMONSTRATION_SITE:  # people who were invented, at no real site
        _load_examples(settings)
    from service.api.app import create_app

    app = create_app(settings, host=host, access=access, limits=limits, endpoints=endpoints)
    return _serve(server_config(app, host, port, limits, tls), settings)


def start_refusal(host: str, settings: Settings) -> str | None:
    """Why the service does not start on this address with these settings; None where it may."""
    from service.access.faults import StartRefused
    from service.access.opening import demonstration_site
    from service.store import migrate_database
    from service.store.access import open_access_database

    migrate_database(settings.database_url, settings.synchronous)
    database = open_access_database(settings.database_url, settings.synchronous)
    try:
        demonstration_site(database, host=host, public_base=settings.public_base, site=settings.site)
    except StartRefused as fault:
        return str(fault)
    finally:
        database.close()
    return None


def with_base(settings: Settings, host: str, port: int, secure: bool) -> Settings:
    """The settings with the base of every link, which is the address bound unless the deployment names another."""
    if settings.public_base != DEFAULT_PUBLIC_BASE:
        return settings
    name = f"[{host}]" if ":" in host else host
    return replace(settings, public_base=f"{'https' if secure else 'http'}://{name}:{port}")


def server_config(app: Any, host: str, port: int, limits: "Limits", tls: ssl.SSLContext | None) -> "uvicorn.Config":
    """How the server runs an application: own protocol, own log, a patient end."""
    import uvicorn

    from service.api.protocol import protocol_with

    return uvicorn.Config(
        app,
        host=host,
        port=port,
        http=protocol_with(replace(limits, connections=_connections(limits.connections))),
        ws="none",
        log_config=None,  # service.logs is set up already
        access_log=False,  # the line of a request is `service.api.observing`'s: this one would hold the address
        server_header=False,
        timeout_graceful_shutdown=limits.stop_within_s,
        ssl_context_factory=None if tls is None else lambda _config, _default: tls,
    )


def _serve(config: "uvicorn.Config", settings: Settings) -> int:
    import uvicorn

    server = uvicorn.Server(config)
    gc.collect()
    gc.freeze()  # tables and routes stay for good: a collection during a write need not walk them each time
    about = {"address": settings.public_base, "site": settings.site, "version": settings.software_version}
    log.info("serving; stop with Ctrl-C or SIGTERM", extra=about)
    with suppress(KeyboardInterrupt):
        server.run()
    return 0


def _connections(asked: int) -> int:
    """As many as were asked for, as far as the process may open so many files; told when it is fewer."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    needed = asked + FILES_KEPT_BACK
    if soft != resource.RLIM_INFINITY and soft < needed:
        soft = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        if soft < needed:
            log.warning("only %d connections: the process may open no more than %d files", soft // 2, soft)
            return soft // 2
    return asked


def _refuse(reason: str) -> int:
    print(reason, file=sys.stderr)
    return 2


def _load_examples(settings: Settings) -> None:
    """Load the example courses of the checkout into a database that holds no course."""
    from service.commands.loading import load_into
    from service.workflow import open_workflow

    folder = Path(__file__).resolve().parents[2] / "examples"
    workflow = open_workflow(settings)
    try:
        if folder.is_dir() and workflow.is_empty():
            files = sorted(path for path in folder.glob("[0-9]*/*") if path.suffix in (".json", ".jsonl"))
            load_into(workflow, [path for path in files if path.name.startswith("course")], None)
    finally:
        workflow.close()
