"""The entries of a course folded, in course order, into its state: one pass, each entry at the same cost.

`CourseFold.apply` takes one standing entry; `summary` says all that is known at an instant. What one kind of entry
begins, changes and ends stands in the method of its name. Retracted entries change nothing.
"""

from collections.abc import Iterable, Iterator, Sequence
from copy import copy
from datetime import datetime

from msgspec import Struct
from msgspec.structs import replace

from service.clinic import findings
from service.clinic.alerts import AlertEpisode
from service.clinic.attention import AGAINST_COUNTS, DEVICE, MISMATCH, Attention
from service.clinic.band_record import MarkReading
from service.clinic.bands import BandState, WoundNow
from service.clinic.bands import relative_force_mean as mean_force
from service.clinic.bands import share_in_range as share_of
from service.clinic.bands_in_place import NO_BANDS, BandsInPlace
from service.clinic.counts import ANCHORS, BANDS, DRESSINGS, ITEMS, Ledger
from service.clinic.entries import (
    Check,
    ClinicalEntry,
    Course,
    Installation,
    Outcome,
    Reconciliation,
    Removal,
    Reset,
)
from service.clinic.force import BenchTable
from service.clinic.forecast import forecast
from service.clinic.gap_record import GapRecord
from service.clinic.policy import Policy
from service.clinic.resets import ClosedKind, ResetPeriod, ResetPeriods, due_reset
from service.clinic.standing import StandingEntry
from service.clinic.summary import Summary


class CourseFold:
    """The state of a course after the entries applied so far."""

    def __init__(self, course: Course, policy: Policy, bench: BenchTable | None = None) -> None:
        """Before the first entry."""
        self.course, self.policy, self.bench = course, policy, bench
        self._gaps = GapRecord.begin(course.wound.length_mm, policy)
        self._bands = BandsInPlace(course.wound.length_mm, policy)
        self._attention = Attention(policy)
        self._ledger = Ledger()
        self._periods = ResetPeriods()
        self._installation: Installation | None = None
        self._latest: Installation | Check | None = None
        self._outcome: Outcome | None = None
        self._device_status: str | None = None
        self._gone = False  # the whole device came out, or was charted as removed
        # Both are computed when asked for, once per entry.
        self._states: tuple[BandState, ...] | None = None
        self._known: Summary | None = None

    def copy(self) -> "CourseFold":
        """An independent snapshot; everything that never changes is shared."""
        twin = copy(self)
        twin._gaps, twin._bands, twin._attention = self._gaps.copy(), self._bands.copy(), self._attention.copy()
        twin._ledger, twin._periods = self._ledger.copy(), self._periods.copy()
        return twin

    # One entry after another

    def apply(self, entry: StandingEntry) -> None:
        """Take the next entry in course order; a retracted one changes nothing."""
        if entry.retraction is None:
            self.take(entry.entry)

    def take(self, entry: ClinicalEntry) -> None:
        """Take the next entry as if it stood."""
        self._attention.time_passed(self._periods.next_reset, entry.at)
        match entry:
            case Installation():
                self._take_installation(entry)
            case Check():
                self._take_check(entry)
            case Reset():
                self._take_reset(entry)
            case Removal():
                self._take_removal(entry)
            case Reconciliation():
                self._take_reconciliation(entry)
            case Outcome():
                self._take_outcome(entry)
        self._states = self._known = None
        self._look_ahead(entry)

    def _take_installation(self, entry: Installation) -> None:
        self._attention.device_ended(entry)
        self._installation = self._latest = entry
        self._device_status, self._gone = None, False
        self._ledger.anchors.place(2 * entry.anchors_per_side)
        self._ledger.bands.place(len(entry.bands))
        self._ledger.dressings.place(entry.dressings_placed)
        gap = self._gaps.add(entry.entry_id, entry.at, entry.gaps)
        self._attention.gaps_read(self._gaps, gap, entry)
        self._attention.dressing_beside_gap(gap, entry)
        self._bands.install(entry, self._gaps.comparable)
        for record in self._bands.records.values():
            self._attention.band_read(record, record.tail_mm, entry)
        self._attention.installed(entry)
        self._attention.counts_changed(self._ledger, ITEMS, entry)
        self._periods.open(entry.entry_id, entry.at, "installation")

    def _take_check(self, entry: Check) -> None:
        self._latest, self._device_status = entry, entry.device_status
        self._take_device_status(entry)
        self._attention.dressing_charted(entry, self._device_in_place)
        self._take_gaps(entry)
        if self._device_in_place:
            self._take_marks(entry)
        self._attention.body_signs(entry, self._device_in_place and bool(self._bands.in_place))
        if entry.next_dressing_change_at is not None:
            self._periods.plan_change(entry.next_dressing_change_at, entry.entry_id)
        self._take_items(entry)

    def _take_reset(self, entry: Reset) -> None:
        self._return_if_charted_out(entry)
        if self._outcome is not None or self._gone:
            return
        for setting in entry.bands:
            mark = MarkReading(entry.entry_id, entry.at, setting.mark_mm_after, setting.tail_mm, is_setting=True)
            self._read_band(setting.band, mark, entry)
        self._bands.name(frozenset(setting.band for setting in entry.bands), self._ledger.bands.balance)
        self._periods.open(entry.entry_id, entry.at, "reset")

    def _take_removal(self, entry: Removal) -> None:
        self._ledger.anchors.remove(entry.anchors_removed)
        self._ledger.bands.remove(entry.bands_removed)
        self._ledger.dressings.remove(entry.dressings_removed)
        self._attention.clear(MISMATCH, DEVICE, entry)
        self._attention.clear(MISMATCH, AGAINST_COUNTS, entry)
        self._attention.counts_changed(self._ledger, ITEMS, entry)
        if entry.dressings_removed:
            self._attention.dressing_taken_off(entry)
        self._after_taking_out(entry)

    def _take_reconciliation(self, entry: Reconciliation) -> None:
        tally = self._ledger.of(entry.item)
        tally.reconcile(entry.found, entry.left_on_purpose, entry.unaccounted_escalated)
        self._attention.judge("item-unaccounted", entry.item, findings.item_unaccounted(entry.item, tally), entry)
        self._attention.judge("item-left", entry.item, findings.item_left(entry.item, tally), entry)
        self._attention.counts_changed(self._ledger, (entry.item,), entry)
        if entry.item == DRESSINGS:
            self._attention.dressing_taken_off(entry)
        else:
            self._after_taking_out(entry)

    def _take_outcome(self, entry: Outcome) -> None:
        self._outcome = entry
        self._attention.device_ended(entry)
        self._attention.clear(MISMATCH, DEVICE, entry)  # what is still in is from here on a mismatch of each item
        self._periods.close(entry.entry_id, entry.at, "outcome")
        for item in ITEMS:
            self._ledger.of(item).close()
        self._attention.counts_changed(self._ledger, ITEMS, entry)

    # Parts of a check

    def _take_device_status(self, entry: Check) -> None:
        if entry.device_status == "removed":
            self._attention.clear(MISMATCH, AGAINST_COUNTS, entry)
            if self._ledger.anchors.expected > 0 or self._ledger.bands.expected > 0:
                finding = findings.counts_not_charted(self._ledger.anchors, self._ledger.bands)
                self._attention.judge(MISMATCH, DEVICE, finding, entry)
            self._leave(entry, "device-removed")
            return
        self._return_if_charted_out(entry)
        if self._gone:
            finding = findings.in_place_against_counts(entry.device_status)
            self._attention.judge(MISMATCH, AGAINST_COUNTS, finding, entry)
        else:
            self._attention.judge("dislodged", "", findings.dislodged(entry.device_status), entry)

    def _take_gaps(self, entry: Check) -> None:
        if entry.gaps is not None:
            gap = self._gaps.add(entry.entry_id, entry.at, entry.gaps)
            if gap.comparable:
                self._bands.meet(gap)
            if self._device_in_place:
                self._attention.gaps_read(self._gaps, gap, entry)
        newly_sized = entry.dressing is not None and entry.dressing.smallest_side_mm is not None
        if entry.gaps is not None or newly_sized:
            self._attention.dressing_beside_gap(self._gaps.latest, entry)

    def _take_marks(self, entry: Check) -> None:
        readings = {reading.band: reading for reading in entry.bands or ()}
        named = frozenset(readings)
        self._bands.not_read_but(named)
        for band, reading in readings.items():
            mark = MarkReading(entry.entry_id, entry.at, reading.mark_mm, reading.tail_mm, is_setting=False)
            self._read_band(band, mark, entry)
        outstanding = self._ledger.bands.balance
        counted = entry.devices_present.bands if entry.devices_present is not None else None
        self._bands.name(named, outstanding)
        self._keep_bands(self._bands.still_there(named, outstanding, counted), entry)

    def _take_items(self, entry: Check) -> None:
        touched: tuple[str, ...] = ()
        if entry.dressing is not None:
            self._ledger.dressings.take_off(entry.dressing.removed or 0)
            if entry.dressing.changed or entry.dressing.placed is not None:
                self._ledger.dressings.place(entry.dressing.placed)
            touched += (DRESSINGS,)
        if entry.devices_present is not None:
            self._ledger.anchors.count_present(entry.devices_present.anchors)
            self._ledger.bands.count_present(entry.devices_present.bands)
            touched += (ANCHORS, BANDS)
        self._attention.counts_changed(self._ledger, touched, entry, entry.devices_present)

    def _read_band(self, band: int, mark: MarkReading, entry: Check | Reset) -> None:
        record = self._bands.read(band, mark, self._gaps.comparable)
        if record is not None:
            self._attention.band_read(record, mark.tail_mm, entry)

    # The device as a whole

    @property
    def _device_in_place(self) -> bool:
        return self._installation is not None and not self._gone

    def _leave(self, entry: Check | Removal | Reconciliation, kind: ClosedKind) -> None:
        """The whole device is out: nothing about it is due or wrong any longer."""
        self._gone = True
        self._attention.device_ended(entry)
        self._periods.close(entry.entry_id, entry.at, kind)

    def _return_if_charted_out(self, entry: Check | Reset) -> None:
        """The device was charted as removed, its counts never were, and now somebody finds it in place.

        Its clocks go on, and what was last read of its bands counts again.
        """
        if not self._gone or not self._ledger.device_outstanding or self._outcome is not None:
            return
        self._gone = False
        self._attention.clear(MISMATCH, DEVICE, entry)
        self._periods.reopen()
        for band in sorted(self._bands.in_place):
            record = self._bands.records[band]
            self._attention.band_read(record, record.tail_mm, entry)

    def _after_taking_out(self, entry: Removal | Reconciliation) -> None:
        """Ends what the counts say has ended: the device, all of its bands, or nothing yet."""
        self._bands.taken_out()
        device_outstanding = self._ledger.device_outstanding
        if not device_outstanding:
            self._attention.clear(MISMATCH, DEVICE, entry)
        if not self._device_in_place or self._outcome is not None:
            return
        if not device_outstanding:
            self._leave(entry, "removal")
        elif self._ledger.bands.balance <= 0:
            self._keep_bands(NO_BANDS, entry)
            self._periods.close(entry.entry_id, entry.at, "removal")

    def _keep_bands(self, bands: frozenset[int], entry: ClinicalEntry) -> None:
        if bands != self._bands.in_place:
            self._bands.in_place = bands
            self._attention.bands_kept(bands, entry)

    def _look_ahead(self, entry: ClinicalEntry) -> None:
        """When the next reset is due, as known after this entry."""
        if self._periods.current is not None:
            closing = self._gaps.rate.mm_per_day is not None and self._gaps.rate.mm_per_day > 0
            states = self._band_states if closing else ()  # without a rate nothing is predicted
            clocks = self._bands.clocks(states, self._gaps.comparable)
            interval, grace = self.policy.reset_interval_h, self.policy.out_of_range_grace_h
            self._periods.set_due(due_reset(clocks, self._periods.next_change, interval, grace))
        self._attention.reset_due(self._periods.next_reset, entry)

    # What is known

    @property
    def _band_states(self) -> tuple[BandState, ...]:
        if self._states is None:
            self._states = self._compute_band_states()
        return self._states

    def _compute_band_states(self) -> tuple[BandState, ...]:
        if self._installation is None or not self._device_in_place:
            return ()
        wound = WoundNow(
            length_mm=self.course.wound.length_mm,
            setback_mm=self._installation.setback_mm,
            gaps=self._gaps.comparable,
            rate_mm_per_day=self._gaps.rate.mm_per_day,
            hold=self._attention.hold,
        )
        return self._bands.states(wound, self.bench)

    def summary(self, at: datetime) -> Summary:
        """All that is known of the course at an instant, with what the time itself makes overdue."""
        if self._known is None:
            self._known = self._summary(at)
        return replace(self._known, at=at, alerts=self._attention.active(self._periods.next_reset, at))

    def _summary(self, at: datetime) -> Summary:
        states, due, latest = self._band_states, self._periods.next_reset, self._latest
        baseline, perfusion = self._gaps.baseline, self._attention.perfusion
        return Summary(
            course_id=self.course.course_id,
            policy=self.policy,
            at=at,
            entry_id=latest.entry_id if latest is not None else None,
            entry_at=latest.at if latest is not None else None,
            state="open" if self._outcome is None else "closed",
            device_in_place=self._device_in_place,
            device_status=self._device_status,
            installation=self._installation,
            gap=self._gaps.latest,
            gap_absent_reason=latest.gaps_not_measured if isinstance(latest, Check) else None,
            baseline_max_gap_mm=baseline.max_gap_mm if baseline is not None else None,
            rate=self._gaps.rate,
            forecast=forecast(
                self._gaps.series.points,
                self.policy,
                further_since_rebound=self._gaps.series.further_since_rebound,
                not_closing=self._gaps.not_closing_since() is not None,
                closed=self._outcome is not None,
            ),
            bands=states,
            share_in_range=share_of(states),
            relative_force_mean=mean_force(states),
            perfusion_difference_mmhg=perfusion[0] if perfusion is not None else None,
            perfusion_at=perfusion[1] if perfusion is not None else None,
            next_reset=due,
            counts=self._ledger.counts(),
            alerts=(),
            hold=self._attention.hold,
            outcome=self._outcome,
        )

    def episodes(self, at: datetime) -> tuple[AlertEpisode, ...]:
        """All alerts, active and ended, by when they began; an overdue reset is judged at the given instant."""
        return self._attention.episodes(self._periods.next_reset, at)

    def reset_periods(self) -> tuple[ResetPeriod, ...]:
        """The periods from one setting of bands to the next, in order; at most the last is open."""
        return tuple(self._periods.periods)


class Step(Struct, frozen=True):
    """An entry and the fold after it; for a retracted entry a copy of the fold to which it was applied as if it stood.

    The fold of the steps is one and the same object: ask it for what is needed before asking for the next step.
    """

    entry: StandingEntry
    fold: CourseFold


def steps(
    course: Course, entries: Sequence[StandingEntry], policy: Policy, bench: BenchTable | None = None
) -> Iterator[Step]:
    """The fold of a course after each of its entries, which come in course order."""
    fold = CourseFold(course, policy, bench)
    for entry in entries:
        if entry.retraction is None:
            fold.apply(entry)
            yield Step(entry, fold)
        else:
            as_if = fold.copy()
            as_if.take(entry.entry)
            yield Step(entry, as_if)


def fold_course(
    course: Course, entries: Iterable[StandingEntry], policy: Policy, bench: BenchTable | None = None
) -> CourseFold:
    """The fold of a course after all of its entries, which come in course order."""
    fold = CourseFold(course, policy, bench)
    for entry in entries:
        fold.apply(entry)
    return fold
