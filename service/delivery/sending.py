"""One delivery: take a lease on a queue, gather, send, write down what became of it.

What is sent twice is stored once: under our own id it is the same resource again; under the server's it is found by its
identifier. So a sender that dies after the server has stored, and before that is written here, does no harm.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from secrets import token_hex
from typing import Any, Literal

import orjson

from service.delivery.answers import Became, read_answer
from service.delivery.bundle import condition, ordered, remote_id, transaction
from service.delivery.destination import Destination, destination_of
from service.delivery.disclosure import disclosed
from service.delivery.faults import DestinationFault, Refused, Temporary
from service.delivery.gathering import Outgoing, Parcel, gather
from service.delivery.judging import LONGEST_WORDS, judge
from service.delivery.sign_in import SignIn, sign_in_of
from service.delivery.translations import Translations, read_translations
from service.delivery.transport import REQUEST_PARTS, Transport
from service.delivery.waiting import Waits
from service.fhir import wire
from service.fhir.validate import check, is_valid
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
NOT_SENT = 0  # in place of a status
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
    ) -> None:
        """`database`: for leases, which wait behind no writer of the store. DestinationFault, TerminologyFault."""
        self.row = row
        self._destination: Destination = destination_of(row)
        self._store = store
        self._database = database
        self._site = site
        self._translations: Translations = read_translations(tables, row.site, row.name)
        self._clock = clock
        self._waits = waits
        self._lease = timedelta(seconds=timeout_s * REQUEST_PARTS * _REQUESTS)
        self._holder = token_hex(16)
        self._transport = Transport(self._destination, timeout_s)
        self._sign_in: SignIn = sign_in_of(self._destination, self._transport, clock)

    def close(self) -> None:
        """Close the connection to the destination."""
        self._transport.close()

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
            parcel = gather(reading, self._destination, patient)
        if parcel is None:
            return self._finished(patient, None, [], "nothing")
        sent = ordered(parcel)
        if not sent:
            return self._finished(patient, parcel, [], "delivered")
        request_id = token_hex(16)
        try:
            became, status = self._send(parcel, sent, request_id)
        except DestinationFault as fault:
            return self._put_off(parcel, Temporary(str(fault)))
        except Temporary as fault:
            return self._put_off(parcel, fault)
        except Refused as fault:
            left = fault.status != NOT_SENT
            return self._hold(parcel, fault, self._event(parcel, sent, fault.status, request_id) if left else None)
        event = self._event(parcel, sent, status, request_id)
        outcome: Outcome = "delivered" if all(each.settled for each in became) else "again"
        return self._finished(patient, parcel, [each.row for each in became], outcome, event)

    # Sending

    def _send(self, parcel: Parcel, sent: Sequence[Outgoing], request_id: str) -> tuple[list[Became], int]:
        bundle = transaction(parcel, self._destination, self._translations)
        _check(bundle)
        headers = {"X-Request-Id": request_id} | self._sign_in.headers()
        answer = self._transport.post(self._destination.url, wire.write(bundle), headers)
        if answer.status == 401:
            self._sign_in.refused()
        judge(answer.status, answer.headers, answer.body, self._clock())
        ids = [remote_id(one, self._destination) for one in sent]
        became = read_answer(answer.body, sent, ids)
        return [self._named(each, one) for each, one in zip(became, sent, strict=True)], answer.status

    def _named(self, became: Became, one: Outgoing) -> Became:
        """With the id that the server gave, looked up where the answer did not say it."""
        if became.row.remote_id:
            return became
        url = f"{self._destination.url}/{one.key[0]}?{condition(one.resource)}"
        status, body = self._transport.get(url, {"Accept": "application/fhir+json", **self._sign_in.headers()})
        judge(status, {}, body, self._clock())
        found = _ids(body)
        if len(found) != 1:
            told = f"the answer names no id, and a search by identifier finds {len(found)} of type {one.key[0]}"
            raise Refused(told, told, status)
        return became._replace(row=became.row._replace(remote_id=found[0]))

    # Writing down what became of it

    def _finished(
        self,
        patient: str,
        parcel: Parcel | None,
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
            if parcel is not None and outcome == "delivered":
                settle(unit.connection, site, parcel.numbers, DELIVERED, microseconds(now))
            if event is not None:
                append_events(unit, [event])
                note_answer(unit.connection, site, name)
            give_back(unit.connection, site, name, patient, self._holder, microseconds(now))
        if parcel is None:
            return Done(outcome)
        return Done(outcome, parcel.course_id, microseconds(now) - parcel.rows[0].queued_at)

    def _hold(self, parcel: Parcel, fault: Refused, event: AuditRow | None) -> Done:
        """Hold the course: nothing more of it goes there until a person has decided."""
        site, name = self._destination.site, self._destination.name
        now = self._clock()
        with self._store.write(site, now) as unit:
            if not self._mine(unit, parcel.patient):
                return Done("lost")
            settle(unit.connection, site, parcel.numbers, HELD, microseconds(now), fault.words)
            if event is not None:
                append_events(unit, [event])
                note_answer(unit.connection, site, name)
            give_back(unit.connection, site, name, parcel.patient, self._holder, microseconds(now))
        log.error("%s of %s holds a course, delivery %d: %s", name, site, parcel.numbers[0], fault)
        return Done("held", parcel.course_id)

    def _put_off(self, parcel: Parcel, fault: Temporary) -> Done:
        """Wait: with this queue, and where the server as a whole failed with everything for it."""
        site, name = self._destination.site, self._destination.name
        now = self._clock()
        with self._store.write(site, now) as unit:
            if not self._mine(unit, parcel.patient):
                return Done("lost")
            attempts = attempts_of(unit.connection, site, name, parcel.patient) + 1
            wait = timedelta(seconds=self._waits.wait_s(attempts, fault.after_s))
            if fault.whole_server:
                failures = _failures(unit, site, name) + 1
                wait = timedelta(seconds=self._waits.wait_s(failures, fault.after_s))
                note_failure(unit.connection, site, name, str(fault), microseconds(now + wait))
            next_at = microseconds(now + wait)
            give_back(unit.connection, site, name, parcel.patient, self._holder, next_at, attempts)
        log.warning("%s of %s waits %.1f s (attempt %d): %s", name, site, wait.total_seconds(), attempts, fault)
        return Done("waits", parcel.course_id)

    def _event(self, parcel: Parcel, sent: list[Outgoing], status: int, request_id: str) -> AuditRow:
        return disclosed(self._site, self._destination, parcel, sent, status, request_id, self._clock())

    def _mine(self, unit: WriteUnit, patient: str) -> bool:
        return still_held(unit.connection, self._destination.site, self._destination.name, patient, self._holder)


def _check(bundle: dict[str, Any]) -> None:
    """Nothing unsound leaves the house: Refused with what is wrong, as if the other server had said so."""
    resources = [entry["resource"] for entry in bundle["entry"]]
    errors = [issue for each in resources if not is_valid(each) for issue in check(each) if issue.severity == "error"]
    if errors:
        words = "; ".join(f"{issue.code} at {issue.expression}: {issue.diagnostics}" for issue in errors)
        raise Refused("our own Bundle is not sound R4", f"not sent, not sound R4: {words}"[:LONGEST_WORDS], NOT_SENT)


def _failures(unit: WriteUnit, site: str, name: str) -> int:
    row = find_destination(unit.connection, site, name)
    return row.failures if row else 0


def _ids(body: bytes) -> list[str]:
    """Ids of the resources that a search found."""
    try:
        found = orjson.loads(body)
        entries = found.get("entry", [])
        return [each["resource"]["id"] for each in entries if each.get("search", {}).get("mode", "match") == "match"]
    except (orjson.JSONDecodeError, AttributeError, KeyError, TypeError) as fault:
        raise Temporary("a success without the answer to a search") from fault
