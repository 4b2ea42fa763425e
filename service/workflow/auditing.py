"""Recording who asked what: writes within their own transaction, everything else by a writer in the background.

A write is on disk together with its AuditEvent or not at all. Reads, searches and refusals wait in memory for at most
`FLUSH_EVERY_S` and are written together, in one commit instead of one each; what was not yet written when the process
is killed is lost. While the database takes no events, at most `MOST_WAITING` wait: then `full` says so, and whoever
serves requests has to refuse them, since an access that cannot be recorded must not take place.
"""

import logging
import re
import threading
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from urllib.parse import parse_qsl, urlsplit

from service.fhir.build.audit_event import KINDS, Access, audit_event, outcome_of
from service.projection import Site, Unsound
from service.search.dates import microseconds
from service.store import Store
from service.store.audit import AuditRow, Patients, append_events, event_id, patients_of
from service.store.rows import Written
from service.store.writing import WriteUnit

FLUSH_EVERY_S = 1.0
MOST_WAITING = 10_000
AT_ONCE = 2_000

_ID = re.compile(r"[A-Za-z0-9.-]{1,64}", re.ASCII)
log = logging.getLogger(__name__)
Key = tuple[str, str]


@dataclass(slots=True)
class Seen:
    """An access and what it showed: resources (type, id) and courses; `told`: patients it has an event for already."""

    access: Access
    keys: frozenset[Key] = frozenset()
    course_ids: frozenset[str] = frozenset()
    told: set[str] = field(default_factory=set)
    recorded: bool = False  # by a write of the same request


class AuditRecorder:
    """The audit records of the sites of one installation; `site_of`: what a site's key stands for."""

    def __init__(self, store: Store, site_of: Callable[[str], Site], clock: Callable[[], datetime]) -> None:
        self._store = store
        self._site_of = site_of
        self._clock = clock
        self._waiting: defaultdict[str, deque[Seen]] = defaultdict(deque)
        self._wake = threading.Event()
        self._flushing = threading.Lock()
        self._starting = threading.Lock()
        self._closing = False
        self._thread: threading.Thread | None = None

    @property
    def full(self) -> bool:
        """Whether so many events wait for the database that no further access may take place."""
        return self.waiting >= MOST_WAITING

    @property
    def waiting(self) -> int:
        """How many events wait for the database."""
        return sum(len(each) for each in list(self._waiting.values()))

    def note(self, site: str, seen: Seen) -> None:
        """Let an access to a site's data be recorded soon."""
        self._waiting[site].append(seen)
        if self._thread is None:
            self._start()
        if self.waiting >= AT_ONCE:
            self._wake.set()

    def within(self, unit: WriteUnit, seen: Seen) -> None:
        """Record a write in its own transaction, an event for each patient it touched; none if it changed nothing."""
        if not unit.written:
            return
        of_patient = _by_patient(unit.written)
        accesses = [
            replace(seen.access, patient=patient, data=_told(references, seen.access.kind))
            for patient, references in of_patient.items()
        ]
        append_events(unit, [self._row(unit.site, access) for access in accesses])
        seen.told.update(of_patient)
        seen.recorded = True

    def flush(self) -> None:
        """Write what waits now; raises the store's error and keeps what was not written."""
        failed: Exception | None = None
        with self._flushing:
            for site, waiting in list(self._waiting.items()):
                try:
                    self._flush(site, waiting)
                except Exception as fault:  # what one site's record cannot take keeps back no other's
                    failed = fault
        if failed is not None:
            raise failed

    def _flush(self, site: str, waiting: deque[Seen]) -> None:
        while waiting:
            some = list(islice(waiting, AT_ONCE))
            with self._store.write(site, self._clock()) as unit:
                keys = {key for seen in some for key in seen.keys}
                patients = patients_of(unit, keys, {each for seen in some for each in seen.course_ids})
                append_events(unit, [self._row(site, access) for seen in some for access in _accesses(patients, seen)])
            for _ in some:
                waiting.popleft()

    def close(self) -> None:
        """Write what waits and end the writer."""
        self._closing = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join()
        if not self._flushed():
            log.error("%d accesses could not be recorded before the end", self.waiting)

    def _start(self) -> None:
        with self._starting:
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="audit", daemon=True)
                self._thread.start()

    def _run(self) -> None:
        while not self._closing:
            self._wake.wait(FLUSH_EVERY_S)
            self._wake.clear()
            if not self._flushed():
                log.error("%d accesses wait to be recorded", self.waiting)
                self._wake.wait(FLUSH_EVERY_S)  # the next one waits its time even when many wait

    def _flushed(self) -> bool:
        try:
            self.flush()
        except Exception as fault:  # whatever it is, the writer goes on and tries again
            log.error("the audit record could not be written: %s", type(fault).__name__)
            return False
        return True

    def _row(self, key: str, access: Access) -> AuditRow:
        own = event_id(microseconds(access.at))
        site = self._site_of(key)
        try:
            sound = site.sound(None, audit_event(site.frame, own, access))
        except (Unsound, ValueError):
            # What a client sent has no place in FHIR; that it came is told all the same.
            bare = replace(access, data=(), request="", cleaned="", client="", who="", patient="")
            sound = site.sound(None, audit_event(site.frame, own, bare))
        outcome = outcome_of(access.status)
        return AuditRow(own, access.patient, KINDS[access.kind].action, outcome, access.request_id, sound.content)


def _by_patient(written: Iterable[Written]) -> dict[str, list[str]]:
    """Versioned references by patient; what belongs to nobody goes with the patient where there is only one."""
    found: dict[str, list[str]] = {}
    for each in written:
        found.setdefault(each.patient, []).append(f"{each.type}/{each.id}/_history/{each.version}")
    if len(found) == 2 and "" in found:
        nobodys = found.pop("")
        next(iter(found.values())).extend(nobodys)
    return found


def _told(references: list[str], kind: str) -> tuple[str, ...]:
    """What a write was about: of readings their Provenances, which name every version made, else the resources."""
    provenances = tuple(each for each in references if each.startswith("Provenance/"))
    others = tuple(each for each in references if not each.startswith("Provenance/"))
    return provenances or others if kind == "import" else others or provenances


def _accesses(patients: Patients, seen: Seen) -> Iterator[Access]:
    """One for each patient whose data was shown; one without a patient where there is none and none was told yet."""
    shown = patients.of(seen.keys, seen.course_ids) | set(_asked_for(seen.access.cleaned))
    for patient in sorted(shown - seen.told):
        yield replace(seen.access, patient=patient)
    if not shown and not seen.recorded:
        yield seen.access


def _asked_for(cleaned: str) -> Iterable[str]:
    """Patients that a search names, whatever it found."""
    for name, value in parse_qsl(urlsplit(cleaned).query):
        if name.partition(":")[0] in ("patient", "subject"):
            for one in value.split(","):
                before, _, own = one.rpartition("/")
                if _ID.fullmatch(own) and (not before or before.endswith("Patient")):
                    yield own
