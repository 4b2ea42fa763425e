"""`notify`: tell subscribers what happened. Several of these processes may run beside the service."""

import logging
import signal
import threading
from datetime import UTC, datetime
from uuid import uuid4

from service.config import settings_from
from service.store import open_store
from service.store.access import open_access_database
from service.store.errors import StoreUnavailableError
from service.subscriptions.endpoints import endpoints_from
from service.subscriptions.notification import Notices
from service.subscriptions.sending import Sender, http_client
from service.subscriptions.topics import read_vocabulary
from service.terminology import load

LOOK_EVERY_S = 1.0
FORGET_EVERY = 3600  # rounds

log = logging.getLogger(__name__)


def notify(once: bool) -> int:
    """Tell what is due, with `once` until nothing is due any more, else until stopped. 0 in the end."""
    settings, endpoints = settings_from(), endpoints_from()
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
