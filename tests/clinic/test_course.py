"""The fold: what counts as latest, what belongs together, corrections, order of arrival, cost.

The rules are the project's own (intake contract, derived metrics); expected numbers are worked out by hand.
"""

import sys
from collections.abc import Callable
from decimal import Decimal
from itertools import permutations
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.clinic.course import CourseFold, fold_course, steps
from service.clinic.gap_record import GapRecord
from service.clinic.rate import SLOW_WIDENING_ERRORS, closure_rate, slow_widening_mm
from service.clinic.standing import Charted, standing
from service.clinic.summary import Summary, course_view
from tests.clinic.random_courses import courses
from tests.clinic.scenario import (
    POLICY,
    active,
    amendment,
    at,
    charted,
    check,
    codes,
    course,
    entry,
    folded,
    gaps,
    installation,
    marks,
    outcome,
    removal,
    reset,
    retraction,
    summary,
)

SLOW = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
D = Decimal


# What counts as latest


def test_a_course_without_entries_says_so() -> None:
    state = folded().summary(at(0))
    assert (state.entry_id, state.gap, state.bands, state.next_reset, state.alerts) == (None, None, (), None, ())
    assert (state.state, state.device_in_place, state.rate.absent_reason) == ("open", False, "too-few-readings")


def test_before_the_first_check_the_latest_is_the_installation() -> None:
    state = summary(installation())
    assert (state.entry_id, state.gap_absent_reason) == ("i1", None)
    assert state.gap is not None
    assert state.gap.closure_fraction == 0
    assert [band.state for band in state.bands] == ["in-range"] * 5


def test_a_reset_is_not_the_latest_look_but_sets_the_bands() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(16, 16)), reset("s1", 7, 19))
    assert state.entry_id == "c1"
    assert [(band.read_by, band.mark_mm) for band in state.bands[:2]] == [("s1", 19), ("c1", 16)]


def test_beside_a_check_that_measured_no_gaps_the_last_measured_ones_stand_with_their_time() -> None:
    state = summary(installation(), check("c1", 6, gaps=gaps(50)), check("c2", 9, gaps_not_measured="in theatre"))
    assert (state.entry_id, state.gap_absent_reason) == ("c2", "in theatre")
    assert state.gap is not None
    assert (state.gap.entry_id, state.gap.at, state.gap.max_gap_mm) == ("c1", at(6), 50)


def test_a_band_that_the_latest_check_did_not_read_has_no_ratio_and_no_draw() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(17)))
    read, *others = state.bands
    assert (read.state, read.stretch_ratio) == ("in-range", D("1.7"))
    for band in others:
        assert (band.state, band.stretch_ratio, band.draw_mm, band.mark_mm) == ("not-read", None, None, None)
        assert (band.read_by, band.read_at) == ("i1", at(0))
    assert state.share_in_range == 1


def test_what_an_earlier_reading_raised_stays_raised_while_a_band_is_not_read() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(21)), check("c2", 7, bands=marks(18, first=2)))
    assert state.bands[0].state == "not-read"
    assert [alert.subject for alert in active(state, "above-maximum")] == ["band-1"]


def test_a_reset_after_the_check_that_left_a_band_out_reads_it() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(17)), reset("s1", 7, 18, first=3))
    assert [band.state for band in state.bands] == ["in-range", "not-read", "in-range", "not-read", "not-read"]


def test_the_mark_before_a_reset_is_no_reading() -> None:
    before = entry("reset", "s1", 6, bands=[{"band": 1, "mark_mm_before": D(21), "mark_mm_after": D(18)}])
    assert codes(summary(installation(), before)) == set()


def test_a_tail_that_was_not_read_again_stays_as_it_was() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(17, 17, tails_mm=[61])), reset("s1", 7, 18))
    assert [band.tail_mm for band in state.bands[:3]] == [61, 80, 80]


def test_perfusion_is_of_the_last_check_that_charted_both_pressures() -> None:
    both = check("c1", 2, diastolic_pressure_mmhg=75, compartment_pressure_mmhg=30)
    state = summary(installation(), both, check("c2", 3, diastolic_pressure_mmhg=50))
    assert (state.perfusion_difference_mmhg, state.perfusion_at) == (45, at(2))


def test_the_device_is_out_after_its_removal_and_in_again_after_the_next_installation() -> None:
    entries = [installation(), removal("r1", 5)]
    assert (summary(*entries).device_in_place, summary(*entries).bands) == (False, ())
    state = summary(*entries, installation("i2", 6))
    assert (state.device_in_place, len(state.bands)) == (True, 5)
    assert state.installation is not None
    assert state.installation.entry_id == "i2"


# Gaps of installations and checks


def test_gaps_of_a_second_installation_are_compared_with_the_first_reading_of_the_course() -> None:
    state = summary(installation(gaps=gaps(60)), removal("r1", 20), installation("i2", 24, gaps=gaps(45)))
    assert state.gap is not None
    assert (state.baseline_max_gap_mm, state.gap.closure_fraction) == (60, D("0.25"))


def test_a_rebound_is_reported_at_the_reading_that_rose_and_starts_a_new_segment() -> None:
    looks = [check("c1", 12, gaps=gaps(50)), check("c2", 24, gaps=gaps(57)), check("c3", 36, gaps=gaps(52))]
    state = summary(installation(), *looks[:2])
    assert state.gap is not None
    assert state.gap.rebound_mm == 7
    assert codes(state) == set()
    after = summary(installation(), *looks, hours=37)
    assert after.gap is not None
    assert after.gap.rebound_mm is None
    assert after.rate.mm_per_day == pytest.approx(10)  # 5 mm in 12 h, since the rebound only
    assert after.forecast.absent_reason == "after-rebound"


def test_a_reading_that_is_not_comparable_keeps_its_own_gaps_and_moves_nothing_else() -> None:
    entries = [installation(), check("c1", 12, gaps=gaps(50), bands=marks(*[17] * 5))]
    before = summary(*entries)
    state = summary(*entries, check("c2", 24, gaps=gaps(90, 90, stations=[20, 50]), bands=marks(*[17] * 5)))
    assert state.gap is not None
    assert (state.gap.max_gap_mm, state.gap.closure_fraction) == (90, None)
    assert state.gap.closure_absent_reason == "stations-differ"
    assert state.rate == before.rate
    assert [band.gap_mm for band in state.bands] == [band.gap_mm for band in before.bands]
    assert all(band.span_is_estimate for band in state.bands)


@pytest.mark.parametrize("first", ["1e-30", "1e-999999", "0.000001", "0", "0.0"])
@pytest.mark.parametrize("later", ["400", "1e-40", "0"])
def test_a_gap_smaller_than_anything_a_ruler_reads_can_be_folded_and_shown(first: str, later: str) -> None:
    looks = [check(f"c{n}", 20 * n, gaps=gaps(later), bands=marks(18, 16)) for n in range(1, 5)]
    state = summary(installation(gaps=gaps(first)), *looks)
    assert course_view(course(), state, at(90))["latest"]["max_gap_mm"] >= 0


def test_a_gap_as_read_keeps_its_digits() -> None:
    state = summary(installation(gaps=gaps("31.0", "30", "29.50", "12", "9")))
    assert state.gap is not None
    assert [str(gap) for _, gap in state.gap.readings] == ["31.0", "30", "29.50", "12", "9"]


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 80)), min_size=1, max_size=25), st.integers(3, 12))
@example([(12, 40), (12, 46), (12, 47)], 6)  # a step of exactly the rebound limit is no rebound
@example([(12, 40), (12, 40), (12, 47)], 10)  # the smallest read twice: one reading since
def test_the_record_kept_one_reading_at_a_time_agrees_with_the_plain_forms(
    steps_taken: list[tuple[int, int]], limit: int
) -> None:
    policy = replace(POLICY, rebound_limit_mm=D(limit))
    record, hours = GapRecord.begin(D(200), policy), 0.0
    for n, (quarter_hours, width) in enumerate(steps_taken):
        hours += quarter_hours / 4
        look = check(f"c{n}", hours, gaps=gaps(width))
        record.add(look.entry_id, look.at, look.gaps)
        assert record.rate == closure_rate(record.series.segment)
        creep, points = record.creep, record.series.points
        assert creep is not None
        rise = points[-1].gap_mm - creep.smallest_mm
        crept = creep.readings >= 2 and rise > SLOW_WIDENING_ERRORS * policy.gap_reading_error_mm
        plain = slow_widening_mm(points, policy.gap_reading_error_mm, policy.rebound_limit_mm)
        assert plain == (rise if crept else None)


# Marks and gaps that belong together. Span = gap 60 + 2 x 10 = 80 mm.


def l0(state: Summary) -> tuple[Decimal | None, bool]:
    return state.bands[0].unstretched_span_mm, state.bands[0].span_is_estimate


def test_an_entry_that_read_both_gives_the_unstretched_span() -> None:
    assert l0(summary(installation(band_marks=[16] * 5))) == (50, False)
    state = summary(installation(), check("c1", 6, gaps=gaps(52), bands=marks(*[16] * 5)))
    assert l0(state) == (45, False)  # (52 + 20) / 1.6


def test_a_reset_takes_the_nearest_gap_reading_within_the_hour_on_either_side() -> None:
    before = check("c1", 6, gaps=gaps(52))
    assert l0(summary(installation(), before, reset("s1", 7, 16))) == (45, False)
    assert l0(summary(installation(), before, reset("s1", 7.1, 16))) == (45, True)
    after = check("c2", 7.5, gaps=gaps(44))
    assert l0(summary(installation(), reset("s1", 7, 16), after)) == (40, False)
    far = check("c1", 6.25, gaps=gaps(52))
    assert l0(summary(installation(), far, reset("s1", 7, 16), after)) == (40, False)
    near = check("c1", 6.75, gaps=gaps(52))
    assert l0(summary(installation(), near, reset("s1", 7, 16), after)) == (45, False)
    on_the_hour = check("c2", 8, gaps=gaps(44))
    assert l0(summary(installation(), reset("s1", 7, 16), on_the_hour)) == (40, False)
    late = check("c2", 8.25, gaps=gaps(44))
    assert l0(summary(installation(), reset("s1", 7, 16), late)) == (50, True)


def test_a_check_that_read_marks_only_takes_earlier_gaps_as_an_estimate() -> None:
    looks = [check("c1", 6, gaps=gaps(52)), check("c2", 6.5, bands=marks(*[16] * 5)), check("c3", 7, gaps=gaps(44))]
    assert l0(summary(installation(), *looks)) == (45, True)


# Hold


def test_bands_are_on_hold_from_a_skin_sign_until_the_skin_is_charted_as_intact() -> None:
    sign = check("c1", 6, skin=["blister"], bands=marks(*[16] * 5))
    held = summary(installation(), sign, check("c2", 7, bands=marks(*[16] * 5)))
    assert held.hold
    for band in held.bands:
        assert band.hold
        assert band.target_stretch_ratio is not None
        assert band.target_stretch_ratio <= D("1.6")
        assert band.target_mark_mm is not None
        assert band.target_mark_mm <= 16
        assert band.draw_mm is not None
        assert band.draw_mm <= 0
    free = summary(installation(), sign, check("c2", 7, bands=marks(*[16] * 5), skin=["intact"]))
    assert not free.hold
    assert any(band.draw_mm is not None and band.draw_mm > 0 for band in free.bands)


# Corrections


def test_an_amended_installation_derives_everything_after_it_anew() -> None:
    look = check("c1", 12, gaps=gaps(45))
    wider = amendment("a1", 20, installation(gaps=gaps(90)))
    state = summary(installation(), look, wider)
    assert state.gap is not None
    assert (state.baseline_max_gap_mm, state.gap.closure_fraction) == (90, D("0.5"))


def test_a_retracted_reading_clears_what_it_raised() -> None:
    entries = [installation(), check("c1", 6, bands=marks(21))]
    assert codes(summary(*entries)) == {"above-maximum"}
    fold = folded(*entries, retraction("r", 7, "c1"))
    assert fold.episodes(at(8)) == ()


def test_a_late_entry_is_derived_as_if_it_had_come_in_time() -> None:
    looks = [installation(), check("c1", 6, bands=marks(14)), check("c2", 12, gaps=gaps(50)), reset("s1", 13, 18)]
    expected = summary(*looks, hours=20)
    for arrived in permutations(looks):
        assert summary(*arrived, hours=20) == expected


def test_the_step_of_a_retracted_entry_says_what_it_would_have_said_and_leaves_the_course_alone() -> None:
    entries = standing(
        charted(installation(), check("c1", 6, bands=marks(21)), check("c2", 7), retraction("r", 8, "c1"))
    )
    found = {}
    for step in steps(course(), entries, POLICY):
        found[step.entry.entry.entry_id] = step.fold.summary(step.entry.entry.at)
    assert {name: codes(state) for name, state in found.items()} == {"i1": set(), "c1": {"above-maximum"}, "c2": set()}
    assert found["c1"].bands[0].stretch_ratio == D("2.1")


def test_a_retracted_check_of_a_retracted_installation_is_tolerated() -> None:
    entries = standing(
        charted(
            installation(),
            check("c1", 6, bands=marks(21), gaps=gaps(50)),
            reset("s1", 7, 18),
            removal("x1", 8),
            retraction("r1", 9, "i1"),
            retraction("r2", 9, "c1"),
            retraction("r3", 9, "s1"),
            retraction("r4", 9, "x1"),
        )
    )
    seen = [step.fold.summary(step.entry.entry.at) for step in steps(course(), entries, POLICY)]
    assert seen[1].bands == ()  # nothing is known of bands that were never installed
    assert seen[1].gap is not None
    assert fold_course(course(), entries, POLICY).summary(at(10)).entry_id is None


def test_a_copy_goes_its_own_way() -> None:
    fold = folded(installation(), check("c1", 6, bands=marks(21)), check("c2", 12, gaps=gaps(50)))
    before, episodes, periods = fold.summary(at(13)), fold.episodes(at(13)), fold.reset_periods()
    twin = fold.copy()
    look = check("c3", 14, bands=marks(18), gaps=gaps(40), skin=["blister"])
    for one in (look, reset("s1", 15, 19), removal("r", 16)):
        twin.take(one)
    assert (fold.summary(at(13)), fold.episodes(at(13)), fold.reset_periods()) == (before, episodes, periods)


# Order of arrival, and every course of the contract


@SLOW
@given(courses(), st.randoms())
def test_the_order_of_arrival_does_not_matter(entries: list[Any], shuffle: Any) -> None:
    arrived = list(entries)
    shuffle.shuffle(arrived)
    one, other = (fold_course(course(), standing(charted(*order)), POLICY) for order in (entries, arrived))
    assert one.summary(at(140)) == other.summary(at(140))
    assert one.episodes(at(140)) == other.episodes(at(140))
    assert one.reset_periods() == other.reset_periods()


@SLOW
@given(courses())
def test_every_course_of_the_contract_can_be_folded_and_shown(entries: list[Any]) -> None:
    for step in steps(course(), standing(charted(*entries)), POLICY):
        instant = step.entry.entry.at
        state = step.fold.summary(instant)
        course_view(course(), state, instant)
        for count in (state.counts.anchors, state.counts.bands, state.counts.dressings):
            if count.placed is not None:
                assert count.outstanding == count.placed - count.removed - count.reconciled
        keys = [(e.code, e.subject, e.raised_by) for e in step.fold.episodes(instant)]
        assert len(keys) == len(set(keys))
        periods = step.fold.reset_periods()
        assert all(not period.is_open for period in periods[:-1])
        due = state.next_reset
        assert due is None or set(due.bands) <= {band.band for band in state.bands}
        overdue = due is not None and due.due_at < instant
        assert overdue == bool(active(state, "reset-overdue"))
        if state.state == "closed" or not state.device_in_place:
            assert due is None


@SLOW
@given(courses())
def test_a_retracted_entry_leaves_a_course_as_if_it_had_never_been_charted(entries: list[Any]) -> None:
    retracted = {one.retracts for one in entries if one.kind == "retraction"}
    never = [
        one
        for one in entries
        if one.entry_id not in retracted and one.kind != "retraction" and getattr(one, "amends", None) not in retracted
    ]
    state = fold_course(course(), standing(charted(*entries)), POLICY).summary(at(140))
    assert state == fold_course(course(), standing(charted(*never)), POLICY).summary(at(140))


# Cost


def bytecodes(work: Callable[[], object]) -> int:
    """How many bytecodes are run: a cost that does not depend on the machine."""
    count = 0

    def trace(frame: Any, event: str, argument: Any) -> Any:
        nonlocal count
        frame.f_trace_opcodes = True
        count += event == "opcode"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


def busy(n: int) -> Any:
    """A check that measures everything, every two hours, out of range every other time."""
    mark = 14 if n % 2 else 18
    return check(
        f"c{n}",
        2 * n,
        gaps=gaps(60 + n % 3),
        bands=marks(*[mark] * 5),
        next_dressing_change_at=at(2 * n + 5),
        dressing={"changed": True, "placed": 1, "removed": 1, "smallest_side_mm": 50},
        devices_present={"anchors": 14, "bands": 5},
    )


def test_taking_an_entry_costs_the_same_however_many_came_before() -> None:
    fold, costs = CourseFold(course(), POLICY), {}
    fold.take(installation())
    for n in range(1, 601):
        look = busy(n)
        if n in (100, 600):
            costs[n] = bytecodes(lambda look=look: fold.take(look))  # type: ignore[misc]  # bound at once
        else:
            fold.take(look)
        if n % 10 == 9:
            fold.take(reset(f"s{n}", 2 * n + 0.5, *[18] * 5))
    assert costs[600] <= 1.2 * costs[100]


def test_arrival_numbers_beyond_ties_change_nothing() -> None:
    entries = [installation(), check("c1", 6, bands=marks(14)), outcome("o1", 9)]
    one = standing([Charted(e, n) for n, e in enumerate(entries)])
    assert one == standing([Charted(e, 1000 - n) for n, e in enumerate(entries)])
