"""Items in = items out: anchors, bands and dressings placed, removed and reconciled over the whole course.

A retained item is among the gravest harms of a removal, and most retained items had a count believed correct. Nothing
is clipped: more out than in shows as a negative number. Sources: AORN, Guideline for Prevention of Retained Surgical
Items (count, reconcile, account for fragments); The Joint Commission, Sentinel Event Alert 51 (2013). How found,
left and escalated items settle each other is this project's own rule.
"""

from copy import copy

from msgspec import Struct, field

ANCHORS, BANDS, DRESSINGS = "anchors", "bands", "dressings"
ITEMS = (ANCHORS, BANDS, DRESSINGS)


class ItemCount(Struct, frozen=True):
    """What became of one kind of item; `outstanding` may be negative (more came out than went in), never clipped.

    outstanding = placed - removed - found - left_on_purpose - unaccounted_escalated. `placed` and `outstanding` are
    None where one placement was not charted. `left_on_purpose` and `unaccounted_escalated` are those not settled
    since.
    """

    placed: int | None
    removed: int
    found: int
    left_on_purpose: int
    unaccounted_escalated: int
    outstanding: int | None

    @property
    def reconciled(self) -> int:
        """Found, left on purpose and escalated together."""
        return self.found + self.left_on_purpose + self.unaccounted_escalated


class Counts(Struct, frozen=True):
    """The counts of a course, per kind of item."""

    anchors: ItemCount
    bands: ItemCount
    dressings: ItemCount

    def of(self, item: str) -> ItemCount:
        """The count of `anchors`, `bands` or `dressings`."""
        return {ANCHORS: self.anchors, BANDS: self.bands, DRESSINGS: self.dressings}[item]


class Tally(Struct):
    """The running count of one kind of item.

    `expected` is what should still be in place by the last word on it: placements add to it, a dressing taken off in a
    change lowers it, a removal leaves nothing, a bedside count sets it. What is outstanding beyond it is the mismatch.
    """

    placed: int = 0
    all_placements_known: bool = True
    removed: int = 0
    found: int = 0
    left_on_purpose: int = 0
    unaccounted_escalated: int = 0
    expected: int = 0

    @property
    def balance(self) -> int:
        """Charted placements less everything accounted for."""
        return self.placed - self.removed - self.found - self.left_on_purpose - self.unaccounted_escalated

    @property
    def mismatch(self) -> int:
        """Items outstanding that nobody can point to (positive), or items too many (negative); 0 when it agrees."""
        return self.balance - self.expected

    def place(self, items: int | None) -> None:
        """Items put in; None: some were, and nobody charted how many. An open mismatch is carried on."""
        if items is None:
            self.all_placements_known = False
        else:
            self.placed += items
            self.expected += items

    def take_off(self, items: int) -> None:
        """Items taken out while the rest stays, as in a dressing change: those put in last are taken to be these."""
        self.removed += items
        self._lower_expected(items)

    def remove(self, items: int) -> None:
        """Items taken out by a removal: from now on nothing is expected to be in place.

        Where placements are unknown no removal can prove anything, so an open mismatch stays as it is.
        """
        self.removed += items
        self.expected = 0 if self.all_placements_known else self.expected - items

    def count_present(self, items: int) -> None:
        """Items seen at the bedside: so many are in place."""
        self.expected = items

    def reconcile(self, found: int, left_on_purpose: int, unaccounted_escalated: int) -> None:
        """What became of items: found ones settle escalated ones first, then those left on purpose, then missing ones.

        An item left on purpose settles an escalated one only where nothing else is outstanding (a lost item that
        imaging showed and the surgeon leaves); otherwise it would be counted twice.
        """
        before = self.balance
        self.found += found
        escalated_found = min(found, self.unaccounted_escalated)
        self.unaccounted_escalated -= escalated_found
        self.left_on_purpose -= min(found - escalated_found, self.left_on_purpose)
        spare = max(0, left_on_purpose - max(0, self.balance))
        self.unaccounted_escalated -= min(spare, self.unaccounted_escalated)
        self.left_on_purpose += left_on_purpose
        self.unaccounted_escalated += unaccounted_escalated
        self._settle(before - self.balance, before - self.expected)

    def _settle(self, items: int, mismatch: int) -> None:
        """Missing items are settled first; only what goes beyond them came from those in place."""
        self._lower_expected(max(0, items - max(0, mismatch)))

    def _lower_expected(self, items: int) -> None:
        """Fewer are expected, never fewer than none; where placements are unknown only the mismatch has meaning."""
        left = self.expected - items
        self.expected = max(0, left) if self.all_placements_known else left

    def close(self) -> None:
        """The course is closed: nothing is expected to be in place."""
        if self.all_placements_known:
            self.expected = 0

    def count(self) -> ItemCount:
        """The count as of now."""
        known = self.all_placements_known
        return ItemCount(
            placed=self.placed if known else None,
            removed=self.removed,
            found=self.found,
            left_on_purpose=self.left_on_purpose,
            unaccounted_escalated=self.unaccounted_escalated,
            outstanding=self.balance if known else None,
        )


class Ledger(Struct):
    """The running counts of a course."""

    anchors: Tally = field(default_factory=Tally)
    bands: Tally = field(default_factory=Tally)
    dressings: Tally = field(default_factory=Tally)

    def of(self, item: str) -> Tally:
        """The tally of `anchors`, `bands` or `dressings`."""
        return {ANCHORS: self.anchors, BANDS: self.bands, DRESSINGS: self.dressings}[item]

    @property
    def device_outstanding(self) -> bool:
        """Whether an anchor or a band is still in by the counts."""
        return self.anchors.balance > 0 or self.bands.balance > 0

    def counts(self) -> Counts:
        """The counts as of now."""
        return Counts(self.anchors.count(), self.bands.count(), self.dressings.count())

    def copy(self) -> "Ledger":
        """An independent copy."""
        return Ledger(copy(self.anchors), copy(self.bands), copy(self.dressings))
