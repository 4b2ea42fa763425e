"""When the use of each closure set ended: once a removal accounts for everything that the set brought in.

A mismatch of any count keeps the use going, since something may still be in the wound. The counting is
`service.clinic.counts`; which removal ends which set is this project's own rule.
"""

from collections.abc import Iterable

from service.clinic.counts import ITEMS, Ledger
from service.clinic.entries import Check, ClinicalEntry, Installation, Reconciliation, Removal
from service.fhir.build.device import UseEnd

CLOSED = "closed"


def use_ends(entries: Iterable[ClinicalEntry]) -> dict[str, UseEnd]:
    """End of use by the entry_id of the installation; entries in course order, those that count only."""
    ledger, ended = Ledger(), dict[str, UseEnd]()
    in_use: dict[str, Removal | None] = {}  # with the removal that took the set out, as far as it did
    newer_anchors = newer_bands = 0  # put in since the latest removal
    for entry in entries:
        _tally(ledger, entry)
        if isinstance(entry, Installation):
            in_use[entry.entry_id] = None
            newer_anchors += 2 * entry.anchors_per_side
            newer_bands += len(entry.bands)
        elif isinstance(entry, Removal):
            in_use = dict.fromkeys(in_use, entry)
            newer_anchors = newer_bands = 0
        left = ledger.anchors.balance > newer_anchors or ledger.bands.balance > newer_bands
        if not left and not _mismatch(ledger):
            out = {name: removal for name, removal in in_use.items() if removal is not None}
            ended |= {name: UseEnd(r.at, r.reason == CLOSED, r.entry_id) for name, r in out.items()}
            in_use = {name: None for name in in_use if name not in out}
    return ended


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
