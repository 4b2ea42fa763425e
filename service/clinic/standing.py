"""Which entries of a course stand, and what they say, after its amendments and retractions.

Only the set of entries decides; the order of arrival merely breaks ties between corrections of equal `at`.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Literal

from msgspec import Struct

from service.clinic.entries import (
    CLINICAL_KINDS,
    Amendment,
    ClinicalEntry,
    Entry,
    Retraction,
)

Status = Literal["as-charted", "amended", "retracted"]
_RANK = {kind: rank for rank, kind in enumerate(CLINICAL_KINDS)}


class Charted(Struct, frozen=True):
    """An entry as it reached us; `arrival` is its place in the order of arrival within the course."""

    entry: Entry
    arrival: int


class StandingEntry(Struct, frozen=True):
    """One clinical entry of a course with everything that was ever charted about it.

    `entry` is the content that stands: that of the newest amendment that is not retracted, or the original. Of a
    retracted entry it is the content that would stand. `amendments` are those not retracted, oldest first.
    `superseded` is every other content it ever had; `withdrawn` pairs each retracted amendment with its retraction.
    """

    entry: ClinicalEntry
    original: ClinicalEntry
    amendments: tuple[Amendment, ...] = ()
    retraction: Retraction | None = None
    superseded: tuple[ClinicalEntry, ...] = ()
    withdrawn: tuple[tuple[Amendment, Retraction], ...] = ()

    @property
    def status(self) -> Status:
        """`retracted` when the entry does not count, else `amended` or `as-charted`."""
        if self.retraction is not None:
            return "retracted"
        return "amended" if self.amendments else "as-charted"


def course_order(entry: ClinicalEntry) -> tuple[datetime, int, str]:
    """Sort key of the intake contract: instant, then kind, then entry_id."""
    return entry.at, _RANK[entry.kind], entry.entry_id


def _oldest_first(charted: Charted) -> tuple[datetime, int]:
    return charted.entry.at, charted.arrival


def standing(charted: Iterable[Charted]) -> list[StandingEntry]:
    """The clinical entries of a course in course order, each with the content that stands and its corrections.

    A correction whose target is not among the entries has no effect; the intake contract refuses it.
    """
    originals: dict[str, ClinicalEntry] = {}
    amendments: dict[str, list[Amendment]] = defaultdict(list)
    retractions: dict[str, Retraction] = {}
    for one in sorted(charted, key=_oldest_first):
        if one.entry.kind == "amendment":  # by kind, so that sketches of faulty entries can be ordered too
            amendments[one.entry.amends].append(one.entry)
        elif one.entry.kind == "retraction":
            retractions.setdefault(one.entry.retracts, one.entry)
        else:
            originals.setdefault(one.entry.entry_id, one.entry)
    found = [_stand(original, amendments.get(name, []), retractions) for name, original in originals.items()]
    return sorted(found, key=lambda item: course_order(item.entry))


def appended(stood: Sequence[StandingEntry], new: Iterable[Charted]) -> list[StandingEntry] | None:
    """New entries as they stand, where they come after all that stood and correct nothing; None otherwise.

    Then `standing` of all entries is `stood` and these. No new entry may have the id of an earlier one.
    """
    fresh: list[ClinicalEntry] = []
    for one in new:
        if one.entry.kind == "amendment" or one.entry.kind == "retraction":
            return None
        fresh.append(one.entry)
    fresh.sort(key=course_order)
    if fresh and stood and course_order(fresh[0]) <= course_order(stood[-1].entry):
        return None
    return [StandingEntry(entry, entry) for entry in fresh]


def _stand(original: ClinicalEntry, amendments: list[Amendment], retractions: dict[str, Retraction]) -> StandingEntry:
    kept = tuple(a for a in amendments if a.entry_id not in retractions)
    withdrawn = tuple((a, retractions[a.entry_id]) for a in amendments if a.entry_id in retractions)
    content = kept[-1].entry if kept else original
    older = ([original] if kept else []) + [a.entry for a in amendments if not kept or a is not kept[-1]]
    return StandingEntry(
        entry=content,
        original=original,
        amendments=kept,
        retraction=retractions.get(original.entry_id),
        superseded=tuple(older),
        withdrawn=withdrawn,
    )
