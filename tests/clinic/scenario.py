"""Small factories for courses and entries of an invented scenario: the trauma ward of Marrowfield, spring 2031.

Names, places and readings are our own. Times are hours after the start, in a zone that is not UTC.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from msgspec import Struct

from service.clinic.alerts import AlertEpisode
from service.clinic.course import CourseFold, fold_course
from service.clinic.entries import Course, Entry, members_of
from service.clinic.policy import Policy, default_policy
from service.clinic.standing import Charted, standing
from service.clinic.summary import Summary
from service.intake.members import read_course
from service.intake.review import entry_from

ZONE = timezone(timedelta(hours=5, minutes=45))
START = datetime(2031, 3, 4, 8, 0, tzinfo=ZONE)
POLICY = default_policy()
PERFORMER = {"identifier": {"system": "urn:marrowfield:staff", "value": "N-17"}, "display": "Oda Pellworth"}
LENGTH_MM = Decimal(200)
STATIONS = (40, 70, 100, 130, 160)

D = Decimal


def at(hours: float) -> datetime:
    """So many hours after the start."""
    return START + timedelta(hours=hours)


def course(length_mm: Any = LENGTH_MM) -> Course:
    """A wound of the lower leg after a fasciotomy."""
    read = read_course(
        {
            "course_id": "marrow-1",
            "patient": {"identifier": {"system": "urn:marrowfield:patients", "value": "P-204"}, "family": "Quill"},
            "wound": {
                "cause": "fasciotomy",
                "body_site": "lower-leg",
                "laterality": "left",
                "length_mm": D(length_mm),
                "reference_end": "proximal",
            },
            "opened_at": START - timedelta(hours=24),
        }
    )
    assert isinstance(read, Course)
    return read


def entry(kind: str, entry_id: str, hours: float, **members: Any) -> Any:
    """Any entry, read as the intake reads it; a member that is None was not charted."""
    sent = {"kind": kind, "entry_id": entry_id, "at": at(hours), "performer": PERFORMER, **members}
    return entry_from(as_sent(sent))


def as_sent(value: Any) -> Any:
    """Members as a document has them, also those of a record."""
    if isinstance(value, Struct):
        return members_of(value)
    if isinstance(value, dict):
        return {name: as_sent(member) for name, member in value.items() if member is not None}
    return [as_sent(one) for one in value] if isinstance(value, list | tuple) else value


def gaps(*widths_mm: Any, stations: Sequence[Any] = STATIONS) -> list[dict[str, Decimal]]:
    """Gaps at the stations, one width for all of them or one each."""
    widths = list(widths_mm) * (len(stations) if len(widths_mm) == 1 else 1)
    return [{"station_mm": D(s), "gap_mm": D(w)} for s, w in zip(stations, widths, strict=True)]


def marks(*marks_mm: Any, tails_mm: Sequence[Any] | None = None, first: int = 1) -> list[dict[str, Any]]:
    """Mark readings of bands in a row."""
    found = [{"band": first + i, "mark_mm": D(mark)} for i, mark in enumerate(marks_mm)]
    for one, tail in zip(found, tails_mm or (), strict=False):
        one["tail_mm"] = D(tail)
    return found


def installation(entry_id: str = "i1", hours: float = 0, **over: Any) -> Any:
    """Five bands of rest mark 10 mm set to 1.8, 7 anchors a side, a wound 60 mm wide."""
    band_marks = over.pop("band_marks", (18, 18, 18, 18, 18))
    tails = over.pop("tails", [80] * len(band_marks))
    members: dict[str, Any] = {
        "anchors_per_side": 7,
        "anchor_interval_mm": D(10),
        "setback_mm": D(10),
        "bands": [
            {"band": n, "station_mm": D(20 + 20 * n), "rest_mark_mm": D(10), "mark_mm": D(mark), "tail_mm": D(tail)}
            for n, (mark, tail) in enumerate(zip(band_marks, tails, strict=True), start=1)
        ],
        "gaps": gaps(60),
        "dressings_placed": 1,
    }
    return entry("installation", entry_id, hours, **(members | over))


def check(entry_id: str, hours: float, **over: Any) -> Any:
    """A look at the wound that says nothing but what is given."""
    members: dict[str, Any] = {"device_status": "in-place", **over}
    if "gaps" not in members:
        members.setdefault("gaps_not_measured", "patient asleep")
    if "bands" not in members:
        members.setdefault("bands_not_read", "patient asleep")
    return entry("check", entry_id, hours, **members)


def reset(entry_id: str, hours: float, *marks_after_mm: Any, first: int = 1, tails_mm: Sequence[Any] = ()) -> Any:
    """Bands in a row set to new marks."""
    bands = [{"band": first + i, "mark_mm_after": D(mark)} for i, mark in enumerate(marks_after_mm)]
    for one, tail in zip(bands, tails_mm, strict=False):
        one["tail_mm"] = D(tail)
    return entry("reset", entry_id, hours, bands=bands)


def removal(entry_id: str, hours: float, anchors: int = 14, bands: int = 5, dressings: int = 1) -> Any:
    """Everything that `installation` put in, unless told otherwise."""
    return entry(
        "removal",
        entry_id,
        hours,
        anchors_removed=anchors,
        bands_removed=bands,
        dressings_removed=dressings,
        reason="closed",
    )


def reconciliation(entry_id: str, hours: float, item: str, found: int = 0, left: int = 0, escalated: int = 0) -> Any:
    """What became of items."""
    return entry(
        "reconciliation",
        entry_id,
        hours,
        item=item,
        found=found,
        left_on_purpose=left,
        unaccounted_escalated=escalated,
        responsible=PERFORMER,
        reason="count at the end of the shift",
    )


def outcome(entry_id: str, hours: float, result: str = "primary-closure") -> Any:
    """The end of the course."""
    return entry("outcome", entry_id, hours, result=result)


def amendment(entry_id: str, hours: float, corrected: Any) -> Any:
    """The corrected entry, whole."""
    return entry("amendment", entry_id, hours, amends=corrected.entry_id, entry=corrected, reason="misread")


def retraction(entry_id: str, hours: float, retracts: str) -> Any:
    """An entry that should not count."""
    return entry("retraction", entry_id, hours, retracts=retracts, reason="other patient")


def charted(*entries: Entry) -> list[Charted]:
    """The entries in the order given as the order of arrival."""
    return [Charted(one, arrival) for arrival, one in enumerate(entries)]


def folded(*entries: Any, policy: Policy = POLICY, length_mm: Any = LENGTH_MM) -> CourseFold:
    """The fold of a course with these entries."""
    return fold_course(course(length_mm), standing(charted(*entries)), policy)


def summary(*entries: Any, hours: float | None = None, policy: Policy = POLICY, length_mm: Any = LENGTH_MM) -> Summary:
    """The summary at so many hours, by default at the last entry given."""
    instant = entries[-1].at if hours is None else at(hours)
    return folded(*entries, policy=policy, length_mm=length_mm).summary(instant)


def active(state: Summary, code: str) -> list[AlertEpisode]:
    """The active alerts of a code."""
    return [alert for alert in state.alerts if alert.code == code]


def codes(state: Summary) -> set[str]:
    """The codes of all active alerts."""
    return {alert.code for alert in state.alerts}


def ended(episodes: Iterable[AlertEpisode], code: str) -> list[AlertEpisode]:
    """The alerts of a code that have ended."""
    return [episode for episode in episodes if episode.code == code and not episode.active]
