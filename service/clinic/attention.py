"""What each entry raises and clears: the rules of the alerts applied to what was charted, and what they remember.

Whether a device is in place, what is due and which items are where is decided elsewhere and handed in.
"""

from collections.abc import Iterable
from copy import copy
from datetime import datetime
from decimal import Decimal

from msgspec import Struct, field

from service.clinic import findings
from service.clinic.alerts import OF_BANDS, OF_DEVICE, AlertBook, AlertEpisode, Finding, most_severe_first
from service.clinic.band_record import BandRecord
from service.clinic.counts import ANCHORS, BANDS, Ledger
from service.clinic.entries import Check, ClinicalEntry, DevicesPresent, Installation
from service.clinic.gap import GapMetrics
from service.clinic.gap_record import GapRecord
from service.clinic.perfusion import perfusion_difference_mmhg
from service.clinic.policy import Policy
from service.clinic.resets import DueReset

OVERDUE, MISMATCH, SMALL_DRESSING, VACUUM = "reset-overdue", "count-mismatch", "small-dressing", "vacuum-therapy"
DEVICE, AGAINST_COUNTS = "device", "device-in-place"  # subjects of a count mismatch beside the three items


def subject_of(band: int) -> str:
    """The subject of an alert about a band."""
    return f"band-{band}"


class Attention(Struct):
    """The alerts of a course, and the charted facts that later entries are judged against."""

    policy: Policy
    alerts: AlertBook = field(default_factory=AlertBook)
    hold: bool = False  # skin charted as anything but intact, and not yet as intact again
    vacuum_in_use: bool = False  # as last charted
    perfusion: tuple[Decimal, datetime] | None = None
    smallest_side_mm: Decimal | None = None  # of a dressing that may still be in the wound

    def judge(self, code: str, subject: str, finding: Finding | None, entry: ClinicalEntry) -> None:
        """The entry decides about this alert."""
        self.alerts.judge(code, subject, finding, entry.entry_id, entry.at)

    def clear(self, code: str, subject: str, entry: ClinicalEntry) -> None:
        """The entry ends this alert, if it is active."""
        self.alerts.clear(code, subject, entry.entry_id, entry.at)

    def device_ended(self, entry: ClinicalEntry) -> None:
        """The device is out or replaced, or the course closed: alerts about bands, gaps and due times end at once."""
        self.alerts.end_all(OF_DEVICE, entry.entry_id, entry.at)

    def bands_kept(self, bands: Iterable[int], entry: ClinicalEntry) -> None:
        """Only these bands are still in place: alerts about the others end."""
        self.alerts.end_all(OF_BANDS, entry.entry_id, entry.at, keep=map(subject_of, bands))

    def installed(self, entry: Installation) -> None:
        """Layout of a new installation; vacuum therapy that was last charted as in use now meets bands."""
        self.clear(MISMATCH, AGAINST_COUNTS, entry)
        self.judge("layout", "", findings.layout(entry, self.policy), entry)
        if self.vacuum_in_use:
            self.judge(VACUUM, "", findings.vacuum_therapy(), entry)

    def band_read(self, record: BandRecord, tail_mm: Decimal | None, entry: ClinicalEntry) -> None:
        """A band's mark, and its tail where that was read too."""
        band, subject, ratio = record.band, subject_of(record.band), record.ratio
        self.judge("above-maximum", subject, findings.above_maximum(band, ratio, self.policy), entry)
        self.judge("below-range", subject, findings.below_range(band, ratio, self.policy), entry)
        self.clear("near-maximum", subject, entry)  # lasts until the next reading, which may raise it anew
        near = findings.near_the_maximum(band, ratio, record.error(self.policy), self.policy)
        self.judge("near-maximum", subject, near, entry)
        if tail_mm is not None:
            self.judge("short-tail", subject, findings.short_tail(band, tail_mm, self.policy), entry)

    def gaps_read(self, gaps: GapRecord, gap: GapMetrics, entry: ClinicalEntry) -> None:
        """A gap reading while the device is in place."""
        if gaps.baseline is not None:
            self.judge("stations-differ", "", findings.stations_differ(gap, gaps.baseline.widest_station_mm), entry)
        if gap.parallelism is not None:
            self.judge("not-parallel", "", findings.not_parallel(gap, self.policy), entry)
        latest, creep = gaps.latest_point, gaps.creep
        if not gap.comparable or latest is None or creep is None:
            return
        earlier = gaps.not_closing_since()
        stuck = None if earlier is None else findings.not_closing(latest, earlier, self.policy)
        self.judge("not-closing", "", stuck, entry)
        widening = findings.slow_widening(latest.gap_mm, creep.smallest_mm, creep.readings, self.policy)
        self.judge("slow-widening", "", widening, entry)

    def body_signs(self, entry: Check, bands_in_place: bool) -> None:
        """Skin, perfusion and vacuum therapy as a check charts them; what it does not chart stays as it was."""
        if entry.skin is not None:
            found = findings.skin_at_risk(entry.skin)
            self.hold = found is not None
            self.judge("skin-at-risk", "", found, entry)
        difference = perfusion_difference_mmhg(entry.diastolic_pressure_mmhg, entry.compartment_pressure_mmhg)
        if difference is not None:
            self.perfusion = difference, entry.at
            found = findings.low_perfusion_pressure(difference, self.policy)
            self.judge("low-perfusion-pressure", "", found, entry)
        if entry.vacuum_therapy_in_use is not None:
            self.vacuum_in_use = entry.vacuum_therapy_in_use
            if not self.vacuum_in_use:
                self.clear(VACUUM, "", entry)
            elif bands_in_place:
                self.judge(VACUUM, "", findings.vacuum_therapy(), entry)

    def dressing_charted(self, entry: Check, device_in_place: bool) -> None:
        """What a check charts about the dressing, but for its size, which is judged beside the gap."""
        if entry.dressing is None:
            return
        if entry.dressing.removed:
            self.dressing_taken_off(entry)
        if entry.dressing.smallest_side_mm is not None:
            self.smallest_side_mm = entry.dressing.smallest_side_mm
        covers = entry.dressing.covers_anchors
        if covers is not None and (device_in_place or not covers):
            self.judge("anchors-covered", "", findings.anchors_covered(covers), entry)

    def dressing_taken_off(self, entry: ClinicalEntry) -> None:
        """A dressing came out or is accounted for: its size no longer matters."""
        self.smallest_side_mm = None
        self.clear(SMALL_DRESSING, "", entry)

    def dressing_beside_gap(self, gap: GapMetrics | None, entry: ClinicalEntry) -> None:
        """The smallest charted side against the widest gap, anew at every gap reading and every new size."""
        if gap is not None and self.smallest_side_mm is not None:
            found = findings.small_dressing(self.smallest_side_mm, gap.max_gap_mm)
            self.judge(SMALL_DRESSING, "", found, entry)

    def counts_changed(
        self, ledger: Ledger, items: Iterable[str], entry: ClinicalEntry, counted: DevicesPresent | None = None
    ) -> None:
        """Items placed, removed, reconciled or counted at the bedside; dressings only where placements are known."""
        for item in items:
            tally = ledger.of(item)
            found = findings.count_mismatch(item, tally)
            if counted is not None and item in (ANCHORS, BANDS):
                present = counted.anchors if item == ANCHORS else counted.bands
                found = findings.count_at_bedside(item, present, tally)
            known = tally.all_placements_known or self.alerts.find(MISMATCH, item) is not None
            self.judge(MISMATCH, item, found if known else None, entry)

    def reset_due(self, due: DueReset | None, entry: ClinicalEntry) -> None:
        """The next reset as known after an entry; an overdue one goes on until nothing is past its time."""
        if due is None or due.due_at >= entry.at:
            self.clear(OVERDUE, "", entry)
        else:
            self.alerts.judge(OVERDUE, "", findings.reset_overdue(due), due.set_by, entry.at)

    def time_passed(self, due: DueReset | None, at: datetime) -> None:
        """Up to this instant no further entry came; a due time may have passed."""
        if due is not None and self.overdue_by(due, at):
            self.alerts.judge(OVERDUE, "", findings.reset_overdue(due), due.set_by, due.due_at)

    def overdue_by(self, due: DueReset | None, at: datetime) -> tuple[AlertEpisode, ...]:
        """The alert of a due time that has passed since the last entry."""
        if due is None or due.due_at >= at or self.alerts.find(OVERDUE) is not None:
            return ()
        return (self.alerts.begin(OVERDUE, "", due.set_by, due.due_at, findings.reset_overdue(due)),)

    def active(self, due: DueReset | None, at: datetime) -> tuple[AlertEpisode, ...]:
        """The active alerts at an instant, most severe first."""
        return most_severe_first((*self.alerts.active, *self.overdue_by(due, at)))

    def episodes(self, due: DueReset | None, at: datetime) -> tuple[AlertEpisode, ...]:
        """All alerts up to an instant, by when they began."""
        return self.alerts.episodes(self.overdue_by(due, at))

    def copy(self) -> "Attention":
        """An independent copy."""
        twin = copy(self)
        twin.alerts = self.alerts.copy()
        return twin
