"""When the use of each closure set ended: once a removal accounts for everything that the set brought in.

A mismatch of any count keeps the use going, since something may still be in the wound. The counting is
`service.clinic.counts`; which removal ends which set is this project's own rule.
"""

from copy import copy
from datetime import datetime
from typing import NamedTuple

from service.clinic.counts import ITEMS, Ledger
from service.clinic.entries import Check, ClinicalEntry, Installation, Reconciliation, Removal

CLOSED = "closed"


class UseEnd(NamedTuple):
    """When and how the use of a closure set ended: taken out as planned, or stopped early."""

    at: datetime
    as_planned: bool
    entry_id: str


class UseEnds:
    """The ends of use by the entry_id of the installation, after some entries; it does not change any more."""

    __slots__ = ("_in_use", "_ledger", "_newer_anchors", "_newer_bands", "ended")

    def __init__(self) -> None:
        self.ended: dict[str, UseEnd] = {}
        self._ledger = Ledger()
        self._in_use: dict[str, Removal | None] = {}  # with the removal that took the set out, as far as it did
        self._newer_anchors = self._newer_bands = 0  # put in since the latest removal

    def after(self, entry: ClinicalEntry) -> "UseEnds":
        """After the next entry that counts, in course order."""
        if not _counts_something(entry):
            return self
        twin = copy(self)
        twin.ended, twin._in_use, twin._ledger = dict(self.ended), dict(self._in_use), self._ledger.copy()
        twin._take(entry)
        return twin

    def _take(self, entry: ClinicalEntry) -> None:
        _tally(self._ledger, entry)
        if isinstance(entry, Installation):
            self._in_use[entry.entry_id] = None
            self._newer_anchors += 2 * entry.anchors_per_side
            self._newer_bands += len(entry.bands)
        elif isinstance(entry, Removal):
            self._in_use = dict.fromkeys(self._in_use, entry)
            self._newer_anchors = self._newer_bands = 0
        self._end_what_is_out()

    def _end_what_is_out(self) -> None:
        out = {name: removal for name, removal in self._in_use.items() if removal is not None}
        anchors, bands = self._ledger.anchors.balance, self._ledger.bands.balance
        if not out or anchors > self._newer_anchors or bands > self._newer_bands or _mismatch(self._ledger):
            return
        self.ended |= {name: UseEnd(r.at, r.reason == CLOSED, r.entry_id) for name, r in out.items()}
        self._in_use = {name: None for name in self._in_use if name not in out}


def _counts_something(entry: ClinicalEntry) -> bool:
    if isinstance(entry, Check):
        return entry.dressing is not None or entry.devices_present is not None
    return isinstance(entry, Installation | Removal | Reconciliation)


def _tally(ledger: Ledger, entry: ClinicalEntry) -> None:
    match entry:
        case Installation():
            ledger.anchors.place(2 * entry.anchors_per_side)
            ledger.bands.place(len(entry.bands))
            ledger.dressings.place(entry.dressings_placed)
        case Check():
            _tally_check(ledger, entry)
        case Removal():
            ledger.anchors.remove(entry.anchors_removed)
            ledger.bands.remove(entry.bands_removed)
            ledger.dressings.remove(entry.dressings_removed)
        case Reconciliation():
            ledger.of(entry.item).reconcile(entry.found, entry.left_on_purpose, entry.unaccounted_escalated)


def _tally_check(ledger: Ledger, check: Check) -> None:
    if (dressing := check.dressing) is not None:
        if dressing.removed is not None:
            ledger.dressings.take_off(dressing.removed)
        if dressing.changed or dressing.placed is not None:
            ledger.dressings.place(dressing.placed)
    if (present := check.devices_present) is not None:
        ledger.anchors.count_present(present.anchors)
        ledger.bands.count_present(present.bands)


def _mismatch(ledger: Ledger) -> bool:
    tallies = [ledger.of(item) for item in ITEMS]
    return any(tally.mismatch != 0 for tally in tallies if tally.all_placements_known)
