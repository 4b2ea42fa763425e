"""Rules that need more than one member: within an entry, and across the entries of a course as they would stand.

The rules read attributes (`entry.bands[0].mark_mm`), so they serve the parsed models and, so that a document with
many faults has all of them named, a `Sketch` of an entry that could not be parsed: what is unreadable there is None.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any

from msgspec import Struct

from service.clinic.standing import StandingEntry

Path = tuple[str | int, ...]
AHEAD_OF_CLOCK = timedelta(minutes=15)
SMALLEST_MARK_RATIO = Decimal("0.5")
LARGEST_MARK_RATIO = Decimal(4)
TAKEN_AFTER_OUTCOME = frozenset({"reconciliation"})


class Broken(Struct, frozen=True, order=True):
    """A rule broken by an entry of the course as it would stand."""

    entry_id: str
    path: Path
    detail: str


def opening_faults(course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    """Faults of the course itself: an opening time or a birth date in the future."""
    if course.opened_at is not None and course.opened_at > now + AHEAD_OF_CLOCK:
        yield ("opened_at",), "is more than 15 minutes ahead of the server's clock"
    born = course.patient.birth_date if course.patient is not None else None
    if born is not None and born > (now + timedelta(hours=14)).date():  # the day has begun somewhere on earth
        yield ("patient", "birth_date"), "is in the future"


def entry_faults(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    """Faults of one entry by itself, given the course (or what is readable of it; None where it is not)."""
    if entry.at is not None:
        if entry.at > now + AHEAD_OF_CLOCK:
            yield ("at",), "is more than 15 minutes ahead of the server's clock"
        if course is not None and course.opened_at is not None and entry.at < course.opened_at:
            yield ("at",), "is before the course was opened"
    rules = _OF_KIND.get(entry.kind)
    if rules is not None:
        yield from rules(entry, course, now)


def _installation(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    yield from _gaps(entry.gaps, course)
    yield from _once(entry.bands, "bands", "band")
    yield from _once(entry.bands, "bands", "station_mm")
    yield from _within_wound(entry.bands, "bands", course)
    yield from _rising(entry.bands)
    for position, band in enumerate(entry.bands or ()):
        if not plausible_mark(band.mark_mm, band.rest_mark_mm):
            yield ("bands", position, "mark_mm"), _mark_detail(band.rest_mark_mm)


def _check(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    yield from _one_of(entry, "gaps", "gaps_not_measured")
    yield from _one_of(entry, "bands", "bands_not_read")
    yield from _gaps(entry.gaps, course)
    yield from _once(entry.bands, "bands", "band")
    if entry.next_dressing_change_at is not None and entry.at is not None and entry.next_dressing_change_at <= entry.at:
        yield ("next_dressing_change_at",), "must lie after the check"
    yield from _skin(entry.skin or [])


def _reset(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    yield from _once(entry.bands, "bands", "band")


def _reconciliation(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    if (entry.found, entry.left_on_purpose, entry.unaccounted_escalated) == (0, 0, 0):
        yield ("found",), "one of found, left_on_purpose and unaccounted_escalated must be above 0"


def _outcome(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    if entry.closed_at is None:
        return
    if entry.at is not None and entry.closed_at > entry.at:
        yield ("closed_at",), "must not be after the time of the entry"
    if course is not None and course.opened_at is not None and entry.closed_at < course.opened_at:
        yield ("closed_at",), "is before the course was opened"


def _amendment(entry: Any, course: Any, now: datetime) -> Iterator[tuple[Path, str]]:
    if entry.entry is None:
        return
    for path, detail in entry_faults(entry.entry, course, now):
        yield ("entry", *path), detail
    if None not in (entry.amends, entry.entry.entry_id) and entry.entry.entry_id != entry.amends:
        yield ("entry", "entry_id"), "must equal amends"


_OF_KIND = {
    "installation": _installation,
    "check": _check,
    "reset": _reset,
    "reconciliation": _reconciliation,
    "outcome": _outcome,
    "amendment": _amendment,
}


def plausible_mark(mark_mm: Decimal | None, rest_mark_mm: Decimal | None) -> bool:
    """Whether a mark lies between 0.5 and 4 times the rest mark; outside it is a typing error (intake contract)."""
    if mark_mm is None or rest_mark_mm is None:
        return True
    return SMALLEST_MARK_RATIO * rest_mark_mm <= mark_mm <= LARGEST_MARK_RATIO * rest_mark_mm


def _mark_detail(rest_mark_mm: Decimal) -> str:
    return f"must lie between 0.5 and 4 times the band's rest mark of {rest_mark_mm} mm"


def _gaps(gaps: Sequence[Any] | None, course: Any) -> Iterator[tuple[Path, str]]:
    yield from _once(gaps, "gaps", "station_mm")
    yield from _within_wound(gaps, "gaps", course)


def _within_wound(rows: Sequence[Any] | None, member: str, course: Any) -> Iterator[tuple[Path, str]]:
    length = course.wound.length_mm if course is not None and course.wound is not None else None
    for position, row in enumerate(rows or ()):
        if length is not None and row.station_mm is not None and row.station_mm > length:
            yield (member, position, "station_mm"), f"lies beyond the wound's length of {length} mm"


def _once(rows: Sequence[Any] | None, member: str, name: str) -> Iterator[tuple[Path, str]]:
    seen = set()
    for position, row in enumerate(rows or ()):
        value = getattr(row, name)
        if value is not None and value in seen:
            yield (member, position, name), "appears twice in this entry"
        seen.add(value)


def _rising(bands: Sequence[Any] | None) -> Iterator[tuple[Path, str]]:
    placed = [(b.band, b.station_mm, i) for i, b in enumerate(bands or ()) if None not in (b.band, b.station_mm)]
    placed.sort(key=lambda row: row[0])
    for (lower_band, lower, _), (band, station, position) in pairwise(placed):
        if band != lower_band and station < lower:
            yield ("bands", position, "station_mm"), "stations must rise with the band number"


def _one_of(entry: Any, readings: str, reason: str) -> Iterator[tuple[Path, str]]:
    given, excused = getattr(entry, readings), getattr(entry, reason)
    if given is not None and excused is not None:
        yield (reason,), f"stands beside {readings}; give the readings or the reason for none"
    if given is None and excused is None:
        yield (readings,), f"is missing (or give {reason}, the reason for none)"


def _skin(signs: Sequence[str | None]) -> Iterator[tuple[Path, str]]:
    for position, sign in enumerate(signs):
        if sign is not None and sign in signs[:position]:
            yield ("skin", position), "appears twice in this entry"
        if sign == "intact" and len(signs) > 1:
            yield ("skin", position), "intact stands only alone"


class AcrossEntries(Struct, frozen=True):
    """The rules across entries, judged as far as some entry: what is broken, and what the next one meets."""

    installation: Any = None
    outcome: Any = None
    broken: tuple[Broken, ...] = ()

    def then(self, standing: Iterable[StandingEntry]) -> "AcrossEntries":
        """The same after further entries, in course order."""
        installation, outcome, broken = self.installation, self.outcome, [*self.broken]
        for item in standing:
            entry: Any = item.entry
            if item.retraction is not None:
                continue
            if outcome is not None and entry.kind not in TAKEN_AFTER_OUTCOME:
                broken.append(_after_outcome(entry, outcome))
            elif entry.kind == "installation":
                installation = entry
            elif entry.kind == "outcome":
                outcome = entry
            elif entry.kind in ("check", "reset"):
                broken += _of_installation(entry, installation)
        return AcrossEntries(installation, outcome, tuple(broken))


def course_faults(standing: Iterable[StandingEntry]) -> Sequence[Broken]:
    """Rules across entries, for a course whose entries stand as given, in course order."""
    return AcrossEntries().then(standing).broken


def _after_outcome(entry: Any, outcome: Any) -> Broken:
    if entry.kind == "outcome":
        return Broken(entry.entry_id, ("kind",), "the course has an outcome")
    return Broken(entry.entry_id, ("at",), f"is after the outcome {outcome.entry_id}")


def _of_installation(entry: Any, installation: Any) -> Iterator[Broken]:
    if installation is None:
        yield Broken(entry.entry_id, ("at",), "no installation is charted before it")
        return
    rest_marks = {band.band: band.rest_mark_mm for band in installation.bands or ()}
    complete = installation.bands is not None and None not in rest_marks
    for position, reading in enumerate(entry.bands or ()):
        if reading.band is None:
            continue
        if reading.band not in rest_marks:
            if complete:
                detail = f"band {reading.band} was not installed by {installation.entry_id}"
                yield Broken(entry.entry_id, ("bands", position, "band"), detail)
            continue
        for name in ("mark_mm", "mark_mm_before", "mark_mm_after"):
            if not plausible_mark(getattr(reading, name, None), rest_marks[reading.band]):
                detail = _mark_detail(rest_marks[reading.band])
                yield Broken(entry.entry_id, ("bands", position, name), detail)
