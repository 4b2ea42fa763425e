"""One delivery: take a lease on a queue, gather, send, write down what became of it.

What is sent twice is stored once: under our own id it is the same resource again; under the server's it is found by its
identifier; a message has the same control id. So a sender that dies after the other side has stored, and before that is
written here, does no harm.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from secrets import token_hex
from typing import Literal

from service.delivery.destination import Destination, destination_of
from service.delivery.disclosure import disclosed
from service.delivery.faults import DestinationFault, Refused, Temporary
from service.delivery.gathering import Prepare, as_stored
from service.delivery.messages_way import MessagesWay
from service.delivery.resources_way import NOT_SENT, ResourcesWay
from service.delivery.transport import REQUEST_PARTS
from service.delivery.waiting import Waits
from service.delivery.ways import Turn, Way
from service.projection import Site
from service.search.dates import microseconds
from service.store import Store
from service.store.access import AccessDatabase
from service.store.audit import AuditRow, append_events
from service.store.delivered_rows import Delivered, note_delivered
from service.store.destination_rows import DestinationRow, find_destination, note_answer, note_failure
from service.store.outbox_rows import DELIVERED, HELD, settle
from service.store.queue_rows import attempts_of, claim, give_back, still_held
from service.store.writing import WriteUnit

Outcome = Literal["delivered", "nothing", "again", "waits", "held", "lost"]
_REQUESTS = 3  # sign-in, the Bundle, and looking up what the answer left out
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one delivery. `waited_us`: how long its oldest row had waited, where it arrived."""

    outcome: Outcome
    course_id: str = ""
    waited_us: int = 0


class Sender:
    """Sends to one destination with the settings that it was made with."""

    def __init__(
        self,
        store: Store,
        database: AccessDatabase,
        site: Site,
        row: DestinationRow,
        tables: Path,
        clock: Callable[[], datetime],
        waits: Waits,
        timeout_s: float,
        prepare: Prepare = as_stored,
    ) -> None:
        """`database`: for leases, which wait behind no writer of the store. DestinationFault, TerminologyFault."""
        self.row = row
        self._destination: Destination = destination_of(row)
        self._store = store
        self._database = database
        self._site = site
        self._clock = clock
        self._waits = waits
        self._lease = timedelta(seconds=timeout_s * REQUEST_PARTS * _REQUESTS)
        self._holder = token_hex(16)
        self._way: Way = (
            MessagesWay(self._destination, tables, site.frame.terms, timeout_s)
            if self._destination.by_message
            else ResourcesWay(self._destination, tables, clock, timeout_s, prepare)
        )

    def close(self) -> None:
        """Close the connection to the destination."""
        self._way.close()

    def step(self) -> Done | None:
        """Deliver what has waited longest, if anything may be sent now; None otherwise."""
        now = self._clock()
        site, name = self._destination.site, self._destination.name
        with self._database.write() as connection:
            until = microseconds(now + self._lease)
            patient = claim(connection, site, name, self._holder, microseconds(now), until, self._destination.pace_us)
        return None if patient is None else self._deliver(patient)

    def _deliver(self, patient: str) -> Done:
        with self._store.read(self._destination.site) as reading:
            turn = self._way.gather(reading, patient)
        if turn is None:
            return self._finished(patient, None, [], "nothing")
        if not turn.told:
            return self._finished(patient, turn, [], "delivered")
        request_id = token_hex(16)
        try:
            rows, complete, status = self._way.send(turn, request_id)
        except DestinationFault as fault:
            return self._put_off(turn, Temporary(str(fault)))
        except Temporary as fault:
            return self._put_off(turn, fault)
        except Refused as fault:
            left = fault.status != NOT_SENT
            return self._hold(turn, fault, self._event(turn, fault.status, request_id) if left else None)
        event = self._event(turn, status, request_id)
        return self._finished(patient, turn, rows, "delivered" if complete else "again", event)

    # Writing down what became of it

    def _finished(
        self,
        patient: str,
        turn: Turn | None,
        rows: Sequence[Delivered],
        outcome: Outcome,
        event: AuditRow | None = None,
    ) -> Done:
        site, name = self._destination.site, self._destination.name
        now = self._clock()
        with self._store.write(site, now) as unit:
            if not self._mine(unit, patient):
                return Done("lost")
            note_delivered(unit.connection, site, name, rows)
            if turn is not None and outcome == "delivered":
                settle(unit.connection, site, turn.numbers, DELIVERED, microseconds(now))
            if event is not None:
                append_events(unit, [event])
                note_answer(unit.connection, site, name)
            give_back(unit.connection, site, name, patient, self._holder, microseconds(now))
        if turn is None:
            return Done(outcome)
        return Done(outcome, turn.course_id, microseconds(now) - turn.rows[0].queued_at)

    def _hold(self, turn: Turn, fault: Refused, event: AuditRow | None) -> Done:
        """Hold the course: nothing more of it goes there until a person has decided."""
        site, name = self._destination.site, self._destination.name
        now = self._clock()
        with self._store.write(site, now) as unit:
            if not self._mine(unit, turn.patient):
                return Done("lost")
            settle(unit.connection, site, turn.numbers, HELD, microseconds(now), fault.words)
            if event is not None:
                append_events(unit, [event])
                note_answer(unit.connection, site, name)
            give_back(unit.connection, site, name, turn.patient, self._holder, microseconds(now))
        log.error("%s of %s holds a course, delivery %d: %s", name, site, turn.numbers[0], fault)
        return Done("held", turn.course_id)

    def _put_off(self, turn: Turn, fault: Temporary) -> Done:
        """Wait: with this queue, and where the server as a whole failed with everything for it."""
        site, name = self._destination.site, self._destination.name
        now = self._clock()
        with self._store.write(site, now) as unit:
            if not self._mine(unit, turn.patient):
                return Done("lost")
            attempts = attempts_of(unit.connection, site, name, turn.patient) + 1
            wait = timedelta(seconds=self._waits.wait_s(attempts, fault.after_s))
            if fault.whole_server:
                failures = _failures(unit, site, name) + 1
                wait = timedelta(seconds=self._waits.wait_s(failures, fault.after_s))
                note_failure(unit.connection, site, name, str(fault), microseconds(now + wait))
            next_at = microseconds(now + wait)
            give_back(unit.connection, site, name, turn.patient, self._holder, next_at, attempts)
        log.warning("%s of %s waits %.1f s (attempt %d): %s", name, site, wait.total_seconds(), attempts, fault)
        return Done("waits", turn.course_id)

    def _event(self, turn: Turn, status: int, request_id: str) -> AuditRow:
        return disclosed(self._site, self._destination, turn, status, request_id, self._clock())

    def _mine(self, unit: WriteUnit, patient: str) -> bool:
        return still_held(unit.connection, self._destination.site, self._destination.name, patient, self._holder)


def _failures(unit: WriteUnit, site: str, name: str) -> int:
    row = find_destination(unit.connection, site, name)
    return row.failures if row else 0
