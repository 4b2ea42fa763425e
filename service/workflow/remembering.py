"""Courses kept in memory as they were after an entry, so that the next entry goes on from there.

The database stays the record. What is remembered counts only where the transaction finds the very entry that it ends
with: entries are appended to a course and never changed. What other processes appended since is read and taken on; in
every other case the course is read from its beginning. Nothing remembered is changed later, so that threads share it,
and a write that fails leaves at most a memory that fits no longer.
"""

import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from msgspec.structs import replace

from service import strict_json
from service.clinic.course import CourseFold
from service.clinic.rules import AcrossEntries
from service.clinic.standing import Charted, StandingEntry, appended
from service.intake.review import Judged, Known, Reviewed, entry_from
from service.projection import Folded, Site, fold_charted
from service.store import CourseRow, EntryRow
from service.store.courses import CourseReads
from service.store.writing import WriteUnit
from service.workflow.charted import course_in, entry_row
from service.workflow.saving import NOTHING, Settled

MOST_ENTRIES = 4000  # of all remembered courses of a site together


class Last(NamedTuple):
    """By what a course's last entry is recognised: its place, its digest, when it was received (microseconds)."""

    arrival: int
    digest: bytes
    received_at: int


class Remembered(NamedTuple):
    """A course after its last entry: as known to the review, as sent, and folded."""

    known: Known
    folded: Folded
    as_sent: Sequence[Any]
    last: Last
    settled: Settled = NOTHING


@dataclass(slots=True)
class Memory:
    """The courses of one site that were asked for last, up to a number of entries in all."""

    most_entries: int = MOST_ENTRIES
    _courses: OrderedDict[str, Remembered] = field(default_factory=OrderedDict)
    _entries: int = 0
    _made_with: Sequence[object] = ()  # policy, bench table and rules; with others everything is worked out anew
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def recall(self, unit: CourseReads, site: Site, course_id: str) -> Remembered | None:
        """A course as the unit's transaction has it; None for one that is not there."""
        self._forget_what_others_made(site)
        row = unit.course(course_id) if course_id else None
        if row is None:
            return None
        found = self._still_true(unit, site, row) or _from_the_beginning(unit, site, row)
        self._keep(found)
        return found

    def written(
        self, unit: WriteUnit, before: Remembered | None, reviewed: Reviewed, folded: Folded, settled: Settled
    ) -> Remembered:
        """A course after a write, folded already. Kept before the commit: after a failed one it fits no longer."""
        found = _nothing_yet(folded) if before is None else before
        known = replace(found.known, course_digest=reviewed.course_digest)
        rows = [entry_row(one, unit.now) for one in reviewed.entries]
        sent = [strict_json.read(row.body) for row in rows]
        found = found._replace(known=known, settled=settled)
        after = _after(found, folded, [one.charted for one in reviewed.entries], rows, sent)
        self._keep(after)
        return after

    def _forget_what_others_made(self, site: Site) -> None:
        made_with = (site.policy, site.bench, site.rules)
        with self._lock:
            if len(self._made_with) != 3 or any(a is not b for a, b in zip(self._made_with, made_with, strict=True)):
                self._courses.clear()
                self._entries, self._made_with = 0, made_with

    def _keep(self, course: Remembered) -> None:
        """Remember a course in place of what was known of it; those not asked for longest give way."""
        with self._lock:
            self._forget(course.folded.course.course_id)
            if len(course.as_sent) <= self.most_entries:
                self._courses[course.folded.course.course_id] = course
                self._entries += len(course.as_sent)
            while self._entries > self.most_entries:
                self._forget(next(iter(self._courses)))

    def _forget(self, course_id: str) -> None:
        gone = self._courses.pop(course_id, None)
        self._entries -= 0 if gone is None else len(gone.as_sent)

    def _still_true(self, unit: CourseReads, site: Site, row: CourseRow) -> Remembered | None:
        found = self._courses.get(row.course_id)
        if found is None or found.known.course_digest != row.digest.hex():
            return None
        newest = unit.entries(row.course_id, after=found.last.arrival - 1)
        if found.last.arrival and (not newest or _last(newest[0]) != found.last):
            return None
        more = newest[1:] if found.last.arrival else newest
        return _taken_on(found, site, more) if more else found


def _last(row: EntryRow) -> Last:
    return Last(row.arrival, row.digest, row.received_at)


def _from_the_beginning(unit: CourseReads, site: Site, row: CourseRow) -> Remembered:
    rows = unit.entries(row.course_id)
    sent = [strict_json.read(one.body) for one in rows]
    charted = [Charted(entry_from(one), at.arrival) for one, at in zip(sent, rows, strict=True)]
    folded = fold_charted(site, course_in(row), charted)
    nothing = _nothing_yet(folded)
    known = replace(nothing.known, course_digest=row.digest.hex())
    return _after(nothing._replace(known=known), folded, charted, rows, sent)


def _nothing_yet(folded: Folded) -> Remembered:
    return Remembered(Known(folded.course, judged=Judged((), AcrossEntries())), folded, (), Last(0, b"", 0))


def _taken_on(found: Remembered, site: Site, rows: Sequence[EntryRow]) -> Remembered:
    """With entries that another process appended, whatever they say."""
    sent = [strict_json.read(one.body) for one in rows]
    charted = [Charted(entry_from(one), at.arrival) for one, at in zip(sent, rows, strict=True)]
    course, more = found.folded.course, appended(found.folded.entries, charted)
    if more is None:
        folded = fold_charted(site, course, [*found.known.entries, *charted])
    else:
        folded = Folded(
            course, [*found.folded.entries, *more], _applied(found.folded.fold.copy(), more), found.folded.passed
        )
    return _after(found, folded, charted, rows, sent)


def _applied(fold: CourseFold, entries: Iterable[StandingEntry]) -> CourseFold:
    for entry in entries:
        fold.apply(entry)
    return fold


def _after(
    before: Remembered, folded: Folded, charted: Sequence[Charted], rows: Sequence[EntryRow], sent: Sequence[Any]
) -> Remembered:
    """The course after further entries; `folded` is over all of them."""
    known = before.known
    assert known.judged is not None, "of every remembered course"
    digests = {row.entry_id: row.digest.hex() for row in rows}
    judged = known.judged.then(charted) or Judged(folded.entries, AcrossEntries().then(folded.entries))
    return Remembered(
        Known(folded.course, known.course_digest, [*known.entries, *charted], known.digests | digests, judged),
        folded,
        [*before.as_sent, *sent],
        Last(charted[-1].arrival, rows[-1].digest, rows[-1].received_at) if rows else before.last,
        before.settled,
    )
