"""The bands of the latest installation: which are in place, what was read of them, when each is due."""

from collections.abc import Iterator
from copy import copy
from decimal import Decimal

from msgspec import Struct, field
from msgspec.structs import replace

from service.clinic.band_record import BandRecord, MarkReading, install, read, remaining
from service.clinic.bands import BELOW_RANGE, BandState, WoundNow, band_condition, band_states
from service.clinic.entries import Installation
from service.clinic.force import BenchTable
from service.clinic.gap import GapMetrics
from service.clinic.policy import Policy
from service.clinic.resets import BandClock

NO_BANDS: frozenset[int] = frozenset()


class BandsInPlace(Struct):
    """Every band that the latest installation put in, and which of them are still there.

    `seen` are those named since some were last taken out: when as many have been named as the counts leave, a check
    has said which remain.
    """

    length_mm: Decimal
    policy: Policy
    records: dict[int, BandRecord] = field(default_factory=dict)  # in order of the band number
    in_place: frozenset[int] = NO_BANDS
    seen: frozenset[int] = NO_BANDS

    def install(self, entry: Installation, gap: GapMetrics | None) -> None:
        """New bands; those of an earlier installation are known by the counts only from now on."""
        self.records = {
            band.band: install(band, entry.entry_id, entry.at, gap, self.length_mm, self.policy)
            for band in sorted(entry.bands, key=lambda band: band.band)
        }
        self.in_place, self.seen = frozenset(self.records), NO_BANDS

    def read(self, band: int, mark: MarkReading, gap: GapMetrics | None) -> BandRecord | None:
        """A mark reading; None for a band that nothing installed (its installation was retracted)."""
        record = self.records.get(band)
        if record is None:
            return None
        self.records[band] = read(record, mark, gap, self.length_mm, self.policy)
        return self.records[band]

    def not_read_but(self, bands: frozenset[int]) -> None:
        """A check has read only these."""
        for band, record in self.records.items():
            if band not in bands:
                self.records[band] = record.not_read()

    def meet(self, gap: GapMetrics) -> None:
        """A comparable gap reading may belong to a setting just before it."""
        for band, record in self.records.items():
            self.records[band] = record.meets(gap, self.length_mm)

    def name(self, bands: frozenset[int], outstanding: int) -> None:
        """These were read or set, so they are there (unless by the counts no band is)."""
        known = bands & frozenset(self.records)
        self.seen |= known
        if outstanding > 0:
            self.in_place |= known

    def still_there(self, named: frozenset[int], outstanding: int, counted: int | None) -> frozenset[int]:
        """Which bands remain, after a check has named some and perhaps counted all of them."""
        exactly = bool(named) and counted == len(named)
        return remaining(self.in_place, named if exactly else self.seen, outstanding, exactly)

    def taken_out(self) -> None:
        """Something came out; who is still there must be named anew."""
        self.seen = NO_BANDS

    def states(self, wound: WoundNow, bench: BenchTable | None) -> tuple[BandState, ...]:
        """The bands in place as of now; targets look at the gaps over all bands of the installation."""
        facts = [record.facts() for record in self.records.values()]
        every = band_states(facts, wound, self.policy, bench)
        return tuple(self._predicted(state, wound.gaps) for state in every if state.band in self.in_place)

    def _predicted(self, state: BandState, gap: GapMetrics | None) -> BandState:
        """No prediction for a band last read below range; none that its own later reading has overtaken.

        An estimated span takes the gap as unchanged up to the mark reading. Where that reading, in range, lies after
        the predicted instant, the narrowing is counted from it.
        """
        record, predicted = self.records[state.band], state.below_range_at
        if predicted is None or gap is None:
            return state
        if band_condition(record.ratio, self.policy) == BELOW_RANGE:
            return replace(state, below_range_at=None)
        if predicted > record.mark.at:
            return state
        return replace(state, below_range_at=record.mark.at + (predicted - gap.at))

    def clocks(self, states: tuple[BandState, ...], gap: GapMetrics | None) -> Iterator[BandClock]:
        """The clock of every band in place, with the predicted slackening by the latest comparable gap reading."""
        slack_at = {state.band: state.below_range_at for state in states}
        for band in sorted(self.in_place):
            clock = self.records[band].clock
            yield clock if gap is None else clock.predict(slack_at.get(band), gap.entry_id)

    def copy(self) -> "BandsInPlace":
        """An independent copy; the records themselves never change."""
        twin = copy(self)
        twin.records = dict(self.records)
        return twin
