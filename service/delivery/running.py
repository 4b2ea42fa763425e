"""Delivering until told to stop: a thread for each destination, so that a slow one keeps no other waiting.

Several processes may do this at once. Settings that change are taken over within a moment.
"""

import logging
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from service.delivery.faults import DestinationFault
from service.delivery.gathering import Prepare, as_stored
from service.delivery.sending import Done, Sender
from service.delivery.waiting import Waits
from service.projection import Site
from service.search.dates import microseconds
from service.site_files import SiteFault
from service.store import Store, StoreError
from service.store.access import AccessDatabase
from service.store.destination_rows import SETTINGS, DestinationRow, list_destinations
from service.store.queue_rows import next_due
from service.terminology.tables import TerminologyFault

POLL_S = 0.25
TIMEOUT_S = 30.0
AGAIN_S = 10.0  # settings that cannot be used are looked at again so often
UNUSABLE = (DestinationFault, TerminologyFault, SiteFault)
Name = tuple[str, str]  # site, destination
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Delivering:
    """What delivering needs. `site_of`: what a site's key stands for; `tables`: the folder of mappings.

    `prepare_of`: by a site's key, what is put into a resource before it leaves.
    """

    store: Store
    database: AccessDatabase
    site_of: Callable[[str], Site]
    tables: Path
    clock: Callable[[], datetime]
    waits: Waits = field(default_factory=Waits)
    timeout_s: float = TIMEOUT_S
    poll_s: float = POLL_S
    told: Callable[[DestinationRow, Done], None] = lambda _row, _done: None
    prepare_of: Callable[[str], Prepare] = lambda _key: as_stored

    def destinations(self) -> dict[Name, DestinationRow]:
        """Every destination of every site as it is set now."""
        with self.database.read() as connection:
            return {(row.site, row.name): row for row in list_destinations(connection)}

    def sender(self, row: DestinationRow) -> Sender:
        """A sender for a destination; DestinationFault or TerminologyFault where its settings cannot be used."""
        site, prepare = self.site_of(row.site), self.prepare_of(row.site)
        settings = (self.clock, self.waits, self.timeout_s, prepare)
        return Sender(self.store, self.database, site, row, self.tables, *settings)

    def due_in_s(self, name: Name) -> float | None:
        """Seconds until something is to be sent, 0 for now; None where nothing waits."""
        with self.database.read() as connection:
            at = next_due(connection, *name)
        return None if at is None else max(0.0, (at - microseconds(self.clock())) / 1_000_000)


def deliver_once(delivering: Delivering) -> Counter[str]:
    """Send everything that is due now, once, and return what became of it; what fails waits for another time."""
    counts = Counter[str]()
    for name, row in delivering.destinations().items():
        try:
            sender = delivering.sender(row)
        except UNUSABLE as fault:
            log.error("nothing goes to %s of %s: %s", row.name, row.site, fault)
            counts["unusable"] += 1
            continue
        try:
            while delivering.due_in_s(name) == 0.0 and (done := sender.step()) is not None:
                delivering.told(row, done)
                counts[done.outcome] += 1
        finally:
            sender.close()
    return counts


def deliver_until(delivering: Delivering, stop: threading.Event) -> None:
    """Deliver until `stop` is set; what is under way then comes to its end."""
    threads: dict[Name, threading.Thread] = {}
    while not stop.is_set():
        try:
            names = set(delivering.destinations())
        except StoreError as fault:
            log.error("the destinations cannot be read: %s", fault)
            names = set(threads)
        for name in sorted(names):
            if name not in threads or not threads[name].is_alive():
                threads[name] = threading.Thread(target=_watched, args=(delivering, name, stop), name="/".join(name))
                threads[name].start()
        stop.wait(delivering.poll_s * 4)
    for thread in threads.values():
        thread.join()


def _watched(delivering: Delivering, name: Name, stop: threading.Event) -> None:
    """Deliver to one destination until it is gone, is set otherwise, or everything ends; then it is begun anew."""
    row = delivering.destinations().get(name)
    if row is None:
        return
    try:
        sender = delivering.sender(row)
    except UNUSABLE as fault:
        log.error("nothing goes to %s of %s: %s", row.name, row.site, fault)
        stop.wait(AGAIN_S)
        return
    try:
        _deliver(delivering, name, sender, stop)
    except StoreError as fault:
        log.error("delivering to %s of %s: %s", row.name, row.site, fault)
    except Exception as fault:  # whatever it is, the other destinations go on, and this one is begun anew
        log.error("delivering to %s of %s failed: %s", row.name, row.site, type(fault).__name__)
    finally:
        sender.close()


def _deliver(delivering: Delivering, name: Name, sender: Sender, stop: threading.Event) -> None:
    while not stop.is_set():
        row = delivering.destinations().get(name)
        if row is None or _otherwise(row, sender.row):
            return
        while delivering.due_in_s(name) == 0.0 and not stop.is_set():
            done = sender.step()
            if done is None:
                break
            delivering.told(row, done)
        due = delivering.due_in_s(name)
        stop.wait(delivering.poll_s if due is None else min(due, delivering.poll_s))


def _otherwise(row: DestinationRow, before: DestinationRow) -> bool:
    """Whether a destination was set otherwise since."""
    return any(getattr(row, name) != getattr(before, name) for name in SETTINGS)
