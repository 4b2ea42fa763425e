"""What the entries say about one band: its latest mark, the gap that belongs to it, and its clock."""

from datetime import datetime, timedelta
from decimal import Decimal

from msgspec import Struct
from msgspec.structs import replace

from service.clinic.bands import BandFacts, band_condition, stretch_error, stretch_ratio
from service.clinic.entries import InstalledBand
from service.clinic.gap import GapMetrics, gap_at
from service.clinic.policy import Policy
from service.clinic.resets import BandClock

PAIRED_WITHIN = timedelta(hours=1)  # a reset and a gap reading as near as this belong together


class MarkReading(Struct, frozen=True):
    """A band's mark as read by an installation, a check or a reset (after it); a setting when it was set then."""

    entry_id: str
    at: datetime
    mark_mm: Decimal
    tail_mm: Decimal | None
    is_setting: bool


class BandRecord(Struct, frozen=True):
    """One band of the latest installation. `pair_apart` is how far in time its paired gap lies, None for an estimate.

    `awaits_gap`: its latest mark was read without gaps at a setting, so a gap reading within the hour may still pair.
    """

    installed: InstalledBand
    clock: BandClock
    mark: MarkReading
    tail_mm: Decimal | None
    read_now: bool
    paired_gap_mm: Decimal | None
    pair_apart: timedelta | None
    awaits_gap: bool

    @property
    def band(self) -> int:
        """Its number."""
        return self.installed.band

    @property
    def ratio(self) -> Decimal:
        """Stretch ratio at its latest mark reading, whether or not the latest check read it."""
        return stretch_ratio(self.mark.mark_mm, self.installed.rest_mark_mm)

    def error(self, policy: Policy) -> Decimal:
        """Reading error of its stretch ratio."""
        return stretch_error(policy.mark_reading_error_mm, self.installed.rest_mark_mm)

    def facts(self) -> BandFacts:
        """What the computation needs of it."""
        return BandFacts(
            band=self.band,
            station_mm=self.installed.station_mm,
            rest_mark_mm=self.installed.rest_mark_mm,
            mark_mm=self.mark.mark_mm,
            tail_mm=self.tail_mm,
            read_by=self.mark.entry_id,
            read_at=self.mark.at,
            read_now=self.read_now,
            paired_mark_mm=self.mark.mark_mm,
            paired_gap_mm=self.paired_gap_mm,
            pair_is_estimate=self.pair_apart is None,
        )

    def not_read(self) -> "BandRecord":
        """After a check that did not read it: what earlier readings say stays, but it is no reading of now."""
        return replace(self, read_now=False)

    def meets(self, gap: GapMetrics, length_mm: Decimal) -> "BandRecord":
        """A later comparable gap reading pairs with a setting within the hour if it is the nearer one."""
        apart = gap.at - self.mark.at
        nearer = self.pair_apart is None or apart < self.pair_apart
        if not self.awaits_gap or apart > PAIRED_WITHIN or not nearer:
            return self
        return replace(self, paired_gap_mm=gap_at(self.installed.station_mm, gap.readings, length_mm), pair_apart=apart)


def install(
    band: InstalledBand, entry_id: str, at: datetime, gap: GapMetrics | None, length_mm: Decimal, policy: Policy
) -> BandRecord:
    """A band as it goes in; the installation reads gaps too, so mark and gap belong together."""
    mark = MarkReading(entry_id, at, band.mark_mm, band.tail_mm, is_setting=True)
    fresh = BandRecord(band, BandClock(band.band, at, entry_id), mark, band.tail_mm, True, None, None, False)
    return read(fresh, mark, gap, length_mm, policy)


def read(
    record: BandRecord, mark: MarkReading, gap: GapMetrics | None, length_mm: Decimal, policy: Policy
) -> BandRecord:
    """After a mark reading, given the latest comparable gaps of the course (its own, if it read comparable ones)."""
    condition = band_condition(stretch_ratio(mark.mark_mm, record.installed.rest_mark_mm), policy)
    clock = BandClock(record.band, mark.at, mark.entry_id) if mark.is_setting else record.clock
    own = gap is not None and gap.entry_id == mark.entry_id
    apart = None if gap is None else _apart(mark, gap, own)
    return replace(
        record,
        clock=clock.read(None if condition == "in-range" else condition, mark.at, mark.entry_id),
        mark=mark,
        tail_mm=record.tail_mm if mark.tail_mm is None else mark.tail_mm,
        read_now=True,
        paired_gap_mm=None if gap is None else gap_at(record.installed.station_mm, gap.readings, length_mm),
        pair_apart=apart,
        awaits_gap=mark.is_setting and not own,
    )


def _apart(mark: MarkReading, gap: GapMetrics, own: bool) -> timedelta | None:
    """How far in time mark and gap lie from each other where they belong together; None for an estimate."""
    if own:
        return timedelta(0)
    apart = mark.at - gap.at
    return apart if mark.is_setting and apart <= PAIRED_WITHIN else None


def remaining(in_place: frozenset[int], seen: frozenset[int], outstanding: int, counted: bool) -> frozenset[int]:
    """Which bands remain after some were taken out and a check has named some.

    Until as many have been named as the counts leave (or the check counted exactly those it named), nobody has said
    which remain, and all of them keep their clocks: a clock too many is safer than one too few.
    """
    if outstanding >= len(in_place):
        return in_place
    return in_place & seen if len(seen) >= outstanding or counted else in_place
