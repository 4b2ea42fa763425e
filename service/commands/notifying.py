"""`notify`: tell subscribers what happened. Several of these processes may run beside the service."""

import logging
import signal
import sys
import threading
from datetime import UTC, datetime
from uuid import uuid4

from service import __version__
from service.config import DEFAULT_PUBLIC_BASE, Settings, settings_from
from service.logs import log_settings_from, set_up_logging
from service.store import open_store
from service.store.access import open_access_database
from service.store.errors import StoreUnavailableError
from service.subscriptions.endpoints import HOSTS, Endpoints, endpoints_from
from service.subscriptions.notification import Notices
from service.subscriptions.sending import Sender, http_client
from service.subscriptions.topics import read_vocabulary
from service.terminology import load

LOOK_EVERY_S = 1.0
FORGET_EVERY = 3600  # rounds

log = logging.getLogger(__name__)


def notify(once: bool) -> int:
    """Tell what is due, with `once` until nothing is due any more, else until stopped. 2 for settings of no use."""
    try:
        endpoints, log_settings = endpoints_from(), log_settings_from()
    except ValueError as fault:
        print(f"refused: {fault}", file=sys.stderr)
        return 2
    set_up_logging(log_settings)
    settings = settings_from()
    _tell_of(settings, endpoints)
    notices = Notices(read_vocabulary(load(settings.mappings), settings.mappings), settings.fhir_base)
    store = open_store(settings.database_url, settings.synchronous)
    store.migrate()
    database = open_access_database(settings.database_url, settings.synchronous)
    try:
        with http_client(endpoints) as client:
            sender = Sender(
                database,
                store,
                notices,
                endpoints,
                client,
                lambda: datetime.now(UTC),
                str(uuid4()),
                lambda: str(uuid4()),
            )
            _run(sender, once, _stopped())
    finally:
        database.close()
        store.close()
    return 0


def _tell_of(settings: Settings, endpoints: Endpoints) -> None:
    """What it works with, since references in notifications are no better than the base that is set."""
    log.info("notifying; stop with Ctrl-C or SIGTERM", extra={"address": settings.fhir_base, "version": __version__})
    if settings.public_base == DEFAULT_PUBLIC_BASE:
        log.warning("CLOSURE_READINGS_PUBLIC_BASE is not set: notifications refer to the default address")
    if not endpoints.hosts:
        log.warning("%s is not set: nobody can be notified", HOSTS)


def _run(sender: Sender, once: bool, stopped: threading.Event) -> None:
    rounds = 0
    while not stopped.is_set():
        told = _round(sender, forget=rounds % FORGET_EVERY == 0)
        rounds += 1
        if told == 0 and once:
            return
        if not told:
            stopped.wait(LOOK_EVERY_S)


def _round(sender: Sender, forget: bool) -> int | None:
    """How many attempts were made; None while the database is not to be had, which ends no sender."""
    try:
        if forget:
            sender.forget_old()
        return sender.tell_all_due()
    except StoreUnavailableError as fault:
        log.warning("the database is not to be had: %s", fault)
        return None


def _stopped() -> threading.Event:
    """Set by the signals that end a process, so that a notification is not cut off in the middle."""
    stopped = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.set())
    return stopped
