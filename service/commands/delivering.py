"""`deliver`: send what waits to the hospital's servers, until interrupted; several processes may do so at once."""

import logging
import signal
import sys
import threading
from datetime import UTC, datetime
from functools import cache

from service import __version__
from service.config import settings_from
from service.delivery.gathering import Prepare
from service.delivery.running import Delivering, deliver_once, deliver_until
from service.delivery.sending import Done
from service.delivery.waiting import Waits
from service.logs import log_settings_from, set_up_logging
from service.report.presenting import complete
from service.store import open_store
from service.store.access import open_access_database
from service.store.destination_rows import DestinationRow
from service.terminology.tables import folder_of_tables
from service.workflow import Workflow, workflow_of_site

log = logging.getLogger(__name__)


def deliver(once: bool, timeout_s: float, first_wait_s: float, longest_wait_s: float, quiet: bool) -> int:
    """Send; with `once` what is due now and no more, 1 where some of it did not arrive."""
    try:
        log_settings = log_settings_from()
    except ValueError as fault:
        print(f"refused: {fault}", file=sys.stderr)
        return 2
    set_up_logging(log_settings)
    settings = settings_from()
    store = open_store(settings.database_url, settings.synchronous)
    store.migrate()
    database = open_access_database(settings.database_url, settings.synchronous)

    @cache
    def workflow_of(key: str) -> Workflow:
        return workflow_of_site(store, settings, key)

    def prepare_of(key: str) -> Prepare:
        """Reports leave with their drawings and the hand-over sheet: who receives them cannot ask here."""
        return lambda unit, resource: complete(workflow_of(key), unit, resource)

    delivering = Delivering(
        store,
        database,
        lambda key: workflow_of(key).site,
        settings.mappings or folder_of_tables(),
        lambda: datetime.now(UTC),
        Waits(first_wait_s, longest_wait_s),
        timeout_s,
        told=_say_nothing if quiet else _say,
        prepare_of=prepare_of,
    )
    try:
        return _once(delivering) if once else _until_interrupted(delivering)
    finally:
        database.close()
        store.close()


def _once(delivering: Delivering) -> int:
    counts = deliver_once(delivering)
    told = ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts.items()))
    print(told or "nothing was due")
    return 1 if counts["waits"] or counts["held"] or counts["unusable"] else 0


def _until_interrupted(delivering: Delivering) -> int:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    log.info("delivering; stop with Ctrl-C or SIGTERM", extra={"version": __version__})
    deliver_until(delivering, stop)
    return 0


def _say(row: DestinationRow, done: Done) -> None:
    if done.outcome == "delivered":
        log.info("delivered to %s of %s after %.2f s", row.name, row.site, done.waited_us / 1_000_000)


def _say_nothing(_row: DestinationRow, _done: Done) -> None:
    """Only faults are told."""
