"""Bands and their targets. S and Z numbers name rows of the check values; they are closed forms of section 9."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec.structs import replace

from service.clinic.bands import (
    BandFacts,
    BandState,
    WoundNow,
    band_condition,
    band_states,
    below_range_at,
    draw_mm,
    gap_at_stretch,
    near_maximum,
    predicted_stretch,
    relative_force_mean,
    share_in_range,
    span_mm,
    stretch_error,
    stretch_ratio,
    time_to_gap,
    unstretched_span_mm,
)
from service.clinic.force import bench_table, neo_hookean, relative_force, relative_force_range
from service.clinic.gap import gap_metrics
from service.clinic.policy import Policy, default_policy, read_policy
from service.clinic.targets import (
    gap_share,
    order_of_work,
    position_share,
    target_mark_mm,
    target_range,
    target_share,
    target_stretch,
)

D = Decimal
POLICY = default_policy()
AT = datetime(2031, 3, 4, 8, 0, tzinfo=UTC)
LOW, HIGH = D("1.5"), D("2.0")
DENSE = [1 + i / 400 for i in range(401)]
NEO_HOOKEAN = bench_table("neo-Hookean shape", DENSE, [neo_hookean(s) for s in DENSE])


def centred(n: int) -> list[Decimal]:
    """Positions -1 + (2i - 1)/n of n bands (check values 9.3)."""
    return [-1 + D(2 * i - 1) / n for i in range(1, n + 1)]


@pytest.mark.parametrize(
    ("mark", "rest", "state"),
    [("20.0", "10.0", "in-range"), ("20.1", "10.0", "above-maximum"), ("15.0", "10.0", "in-range"),
     ("14.9", "10.0", "below-range"), ("4.5", "3", "in-range"), ("24.6", "12.3", "in-range"),
     ("10.05", "6.7", "in-range")],
)  # fmt: skip
def test_both_ends_of_the_range_belong_to_it(mark: str, rest: str, state: str) -> None:
    # Working range 1.5 to 2.0: common practice, no source.
    assert band_condition(stretch_ratio(D(mark), D(rest)), POLICY) == state


def test_a_band_without_a_mark_is_not_read() -> None:
    assert band_condition(None, POLICY) == "not-read"


def test_near_the_maximum_is_within_the_rulers_error_and_not_above() -> None:
    error = stretch_error(D("0.5"), D(10))
    assert error == D("0.05")
    assert [near_maximum(D(r), error, POLICY) for r in ("1.95", "1.951", "2.0", "2.01")] == [False, True, True, False]


@pytest.mark.parametrize(
    ("gap", "twice_setback", "ratio", "l0", "at_low", "at_slack", "share"),
    [
        (6, 2, "2.0", 4.0, 4.0, 2.0, 0.6667),  # S1
        (6, 2, "1.5", 5.3333, 6.0, 3.3333, 0.4444),  # S2; its gap at low is the gap it was set at
        (3, 1, "1.8", 2.2222, 2.3333, 1.2222, 0.5926),  # S3
        (6, 0, "2.0", 3.0, 4.5, 3.0, 0.5),  # S4
    ],
)
def test_a_band_slackens_as_the_gap_narrows(
    gap: int, twice_setback: int, ratio: str, l0: float, at_low: float, at_slack: float, share: float
) -> None:
    setback = D(twice_setback) / 2
    rest = unstretched_span_mm(span_mm(D(gap), setback), D(ratio))
    assert float(rest) == pytest.approx(l0, abs=5e-5)
    assert float(gap_at_stretch(LOW, rest, setback)) == pytest.approx(at_low, abs=5e-5)
    slack = gap_at_stretch(D(1), rest, setback)
    assert float(slack) == pytest.approx(at_slack, abs=5e-5)
    assert float(1 - slack / gap) == pytest.approx(share, abs=5e-5)


def test_predicted_stretch_and_force_follow_the_worked_case() -> None:
    # S5: S1 at gaps 5, 4, 3, 2.5, 2, 1.5.
    ratios = [predicted_stretch(D(g), D(1), D(4)) for g in ("5", "4", "3", "2.5", "2", "1.5")]
    assert ratios == [D("1.75"), D("1.5"), D("1.25"), D("1.125"), D(1), D("0.875")]
    forces = [relative_force(float(r)) for r in ratios]
    assert forces == pytest.approx((0.813411, 0.603175, 0.348571, 0.191358, 0, 0), abs=1e-6)
    edges = [relative_force_range(float(r)) for r in ratios]
    assert [low for low, _ in edges] == pytest.approx((0.75, 0.5, 0.25, 0.125, 0, 0), abs=1e-6)
    assert [high for _, high in edges] == pytest.approx((0.852145, 0.670194, 0.418286, 0.240969, 0, 0), abs=1e-6)


def test_the_time_until_a_band_leaves_the_range_follows_the_worked_case() -> None:
    # S6: S1 closing 1.5 cm/d: stretch 1.5 after 1.3333 d, slack after 2.6667 d.
    assert time_to_gap(D(60), D(60), D(40), 15) == timedelta(days=4) / 3
    assert time_to_gap(D(60), D(60), D(20), 15) == timedelta(days=8) / 3


def test_a_band_beside_the_widest_place_closes_in_proportion() -> None:
    # Half as wide, half as fast: w(t) = w (1 - rate t / max gap), so 30 to 20 mm takes as long as 60 to 40 mm.
    assert time_to_gap(D(30), D(60), D(20), 15) == time_to_gap(D(60), D(60), D(40), 15)


@pytest.mark.parametrize(("later", "rate"), [(40, 0), (40, -2), (-1, 15)])
def test_nothing_is_foretold_for_a_wound_that_does_not_close_or_closes_first(later: int, rate: float) -> None:
    assert time_to_gap(D(60), D(60), D(later), rate) is None


def test_a_vanishing_rate_gives_no_date() -> None:
    assert time_to_gap(D(60), D(60), D(40), 1e-9) is None


def test_a_widening_gap_stretches_a_band_over_its_maximum() -> None:
    # S9: S1 with gap 7.5: stretch 2.375, above 2.0.
    ratio = predicted_stretch(D("7.5"), D(1), D(4))
    assert ratio == D("2.375")
    assert band_condition(ratio, POLICY) == "above-maximum"


positive = st.integers(1, 4000).map(lambda n: D(n) / 10)


@given(positive, positive, positive, positive)
def test_a_wider_gap_never_gives_a_lower_stretch(a: Decimal, b: Decimal, setback: Decimal, l0: Decimal) -> None:
    narrow, wide = sorted((a, b))
    assert predicted_stretch(narrow, setback, l0) <= predicted_stretch(wide, setback, l0)


@given(positive, positive, positive)
def test_predicting_the_gap_that_was_read_gives_the_stretch_that_was_read(
    gap: Decimal, setback: Decimal, tenths: Decimal
) -> None:
    ratio = 1 + tenths / 400
    l0 = unstretched_span_mm(span_mm(gap, setback), ratio)
    assert predicted_stretch(gap, setback, l0) == pytest.approx(ratio, rel=D("1e-24"))


@pytest.mark.parametrize(
    ("n", "expected", "tolerance"),
    [
        (5, (1.68, 1.92, 2.00, 1.92, 1.68), 1e-9),  # Z1
        (7, (1.6327, 1.8367, 1.9592, 2.0, 1.9592, 1.8367, 1.6327), 5e-5),  # Z2
        (8, (1.6172, 1.8047, 1.9297, 1.9922, 1.9922, 1.9297, 1.8047, 1.6172), 5e-5),  # Z4
    ],
)
def test_parallel_margins_give_the_plain_profile_by_place(
    n: int, expected: tuple[float, ...], tolerance: float
) -> None:
    shares = [target_share(xi, D(40), D(40), D(40)) for xi in centred(n)]
    assert [float(target_stretch(LOW, HIGH, q)) for q in shares] == pytest.approx(expected, abs=tolerance)


def test_the_force_form_by_place_gives_the_known_targets() -> None:
    # Z3: five bands, neo-Hookean.
    found = [float(target_stretch(LOW, HIGH, position_share(xi), NEO_HOOKEAN)) for xi in centred(5)]
    assert found == pytest.approx((1.6659, 1.9123, 2.0, 1.9123, 1.6659), abs=5e-5)


def test_the_force_form_by_gap_gives_the_known_targets() -> None:
    # Z5: seven bands, neo-Hookean, share by gap alone.
    gaps = [D(w) for w in ("2", "4", "5.5", "6", "5", "3.5", "1.5")]
    shares = [gap_share(w, max(gaps), min(gaps)) for w in gaps]
    found = [float(target_stretch(LOW, HIGH, q, NEO_HOOKEAN)) for q in shares]
    assert found == pytest.approx((1.5493, 1.7631, 1.9389, 2.0, 1.8789, 1.7073, 1.5), abs=5e-5)


def test_a_wound_that_ends_in_points_gives_the_pure_gap_form() -> None:
    # b = (W - V)/W = 1 when the narrowest gap is 0.
    assert target_share(D("0.9"), D(45), D(60), D(0)) == D("0.75")
    assert target_share(D(0), D(0), D(0), D(0)) == 1  # closed everywhere: by place


def test_a_table_that_ends_below_the_target_cannot_give_the_force_form() -> None:
    short = bench_table("short", (1, 1.2, 1.4, 1.6), (0, 1, 1.8, 2.4))
    assert target_stretch(LOW, HIGH, D("0.5"), short) == D("1.75")


@given(st.integers(-100, 100), positive, positive, positive)
def test_the_share_of_the_range_lies_between_0_and_1(place: int, a: Decimal, b: Decimal, c: Decimal) -> None:
    narrowest, gap, widest = sorted((a, b, c))
    assert 0 <= target_share(D(place) / 100, gap, widest, narrowest) <= 1


@given(st.integers(-100, 100), positive, positive, positive, positive)
def test_a_wider_place_never_asks_for_less(place: int, a: Decimal, b: Decimal, c: Decimal, d: Decimal) -> None:
    narrowest, low, high, widest = sorted((a, b, c, d))
    xi = D(place) / 100
    assert target_share(xi, low, widest, narrowest) <= target_share(xi, high, widest, narrowest)


def test_the_upper_end_of_the_targets_leaves_room_for_the_ruler() -> None:
    assert target_range(D(10), POLICY) == (D("1.65"), D("1.95"))
    assert target_range(D(4), POLICY) == (D("1.65"), D("1.875"))
    assert target_range(D(1), POLICY) == (D("1.5"), D("1.5"))  # the ruler's error is the whole range


@pytest.mark.parametrize(
    ("target", "rest", "mark"),
    [("1.77", "10", "17.5"), ("1.775", "10", "17.5"), ("1.78", "10", "18.0"), ("1.5", "10.1", "15.5"),
     ("2.0", "10.1", "20.0"), ("1.95", "2", "4.0")],
)  # fmt: skip
def test_a_target_mark_is_a_half_millimetre_inside_the_range(target: str, rest: str, mark: str) -> None:
    assert target_mark_mm(D(target), D(rest), POLICY) == D(mark)


def test_a_range_without_a_half_millimetre_gives_the_exact_length() -> None:
    narrow = read_policy(b"[limits]\nstretch_low = 1.69\nstretch_high = 1.74\ntarget_low = 1.7\ntarget_high = 1.72",
                         "narrow.toml", base=POLICY)  # fmt: skip
    assert target_mark_mm(D("1.71"), D(10), narrow) == D("17.0")
    assert target_mark_mm(D("1.71"), D(2), narrow) == D("3.42")


@pytest.mark.parametrize(
    ("present", "mark"),
    [("17.3", "17.0"), ("20.4", "19.0"), ("15.0", "15.0"), ("14.3", "14.0")],
)
def test_on_hold_a_mark_is_rounded_down_and_never_above_the_present_one(present: str, mark: str) -> None:
    assert target_mark_mm(D("1.9"), D(10), POLICY, hold_at_mm=D(present)) == D(mark)


def test_on_hold_a_band_just_in_range_stays_where_it_is() -> None:
    # rest 10.2: the range starts at 15.3, and rounding 15.4 down to 15.0 would leave it
    assert target_mark_mm(D("1.9"), D("10.2"), POLICY, hold_at_mm=D("15.4")) == D("15.4")


rests = st.integers(20, 500).map(lambda n: D(n) / 10)


@given(rests, st.integers(0, 1000))
def test_targets_always_lie_inside_the_working_range(rest: Decimal, share: int) -> None:
    low, high = target_range(rest, POLICY)
    target = target_stretch(low, high, D(share) / 1000)
    mark = target_mark_mm(target, rest, POLICY)
    assert POLICY.stretch_low <= target <= POLICY.stretch_high
    assert POLICY.stretch_low * rest <= mark <= POLICY.stretch_high * rest


@given(rests, st.integers(0, 1000), st.integers(50, 400))
def test_on_hold_no_target_is_ever_above_the_present(rest: Decimal, share: int, hundredths: int) -> None:
    present = rest * hundredths / 100
    low, high = target_range(rest, POLICY)
    mark = target_mark_mm(target_stretch(low, high, D(share) / 1000), rest, POLICY, hold_at_mm=present)
    assert mark <= present
    assert mark <= POLICY.stretch_high * rest
    if present >= POLICY.stretch_low * rest:
        assert mark >= POLICY.stretch_low * rest


@given(positive, st.integers(1001, 3000), st.integers(1001, 3000))
def test_drawing_tightens_and_letting_out_slackens(span: Decimal, now: int, to: int) -> None:
    drawn = draw_mm(span, D(now) / 1000, D(to) / 1000)
    assert (drawn > 0) == (to > now)
    assert (drawn < 0) == (to < now)


def test_the_draw_is_the_loss_of_unstretched_length() -> None:
    # By hand: span 60 mm at 1.5 holds 40 mm of band at rest, at 2.0 it holds 30 mm.
    assert draw_mm(D(60), D("1.5"), D("2.0")) == pytest.approx(D(10), abs=D("1e-20"))


def test_work_goes_from_the_middle_outwards() -> None:
    assert order_of_work([D(s) for s in (20, 60, 100, 140, 180)], D(200)) == [4, 2, 1, 3, 5]
    assert order_of_work([D(s) for s in (0, 10, 20)], D(200)) == [3, 2, 1]


# One wound of 200 mm, setback 10 mm, three bands; everything below is worked out by hand.
GAPS = gap_metrics("c2", AT, [(D(50), D(30)), (D(100), D(60)), (D(150), D(30))], D(200))
WOUND = WoundNow(D(200), D(10), GAPS, 12.0, hold=False)


def fact(band: int, station: int, mark: str | None, **more: object) -> BandFacts:
    known = BandFacts(band, D(station), D(10), D(mark) if mark else None, D(60), "c2", AT, mark is not None,
                      D(mark) if mark else None, GAPS.readings[band - 1][1], False)  # fmt: skip
    return replace(known, **more)  # type: ignore[arg-type]  # keywords differ by test


FACTS = [fact(1, 50, "16.0"), fact(2, 100, "17.0"), fact(3, 150, "20.5")]


def states(facts: list[BandFacts] | None = None, policy: Policy = POLICY, **more: object) -> tuple[BandState, ...]:
    return band_states(facts or FACTS, replace(WOUND, **more), policy)  # type: ignore[arg-type]  # as above


def test_a_whole_installation_gives_the_figures_worked_out_by_hand() -> None:
    first, middle, last = states()
    assert (first.state, middle.state, last.state) == ("in-range", "in-range", "above-maximum")
    assert (first.gap_mm, middle.gap_mm, middle.span_mm) == (D(30), D(60), D(80))
    # W = 60, V = 30, b = 0.5; at 50 mm ξ = -0.5: q = 0.5 x 0.75 + 0.5 x 0 = 0.375; in the middle q = 1
    assert (first.target_stretch_ratio, middle.target_stretch_ratio) == (D("1.7625"), D("1.95"))
    assert (first.target_mark_mm, middle.target_mark_mm, last.target_mark_mm) == (D("17.5"), D("19.5"), D("17.5"))
    # 80 (1/1.7 - 1/1.95) = 6.0332 mm to draw in the middle
    assert middle.draw_mm == pytest.approx(D("6.033183"), abs=D("1e-6"))
    assert middle.tail_after_mm == pytest.approx(D("66.033183"), abs=D("1e-6"))
    assert last.draw_mm is not None
    assert last.draw_mm < 0
    # L0 = 80/1.7 = 47.0588; gap at low = 1.5 L0 - 20 = 50.5882, at slack 27.0588
    assert middle.gap_at_low_mm == pytest.approx(D("50.588235"), abs=D("1e-6"))
    assert middle.gap_at_slack_mm == pytest.approx(D("27.058824"), abs=D("1e-6"))
    # 60 to 50.5882 mm at 12 mm/d: 0.784314 d
    assert middle.below_range_at == AT + timedelta(seconds=round(0.7843137254901961 * 86400))
    assert [state.order for state in (first, middle, last)] == [2, 1, 3]
    assert not any(state.tail_after_short for state in (first, middle))
    assert (first.force_n, first.force_absent_reason) == (None, "no-bench-table")


def test_a_plan_that_leaves_too_little_tail_says_so() -> None:
    assert states([replace(FACTS[0], tail_mm=D(40)), *FACTS[1:]])[0].tail_after_short


def test_a_band_that_was_not_read_has_no_ratio_no_force_and_no_draw() -> None:
    state = states([replace(FACTS[0], read_now=False), *FACTS[1:]])[0]
    assert (state.state, state.mark_mm, state.stretch_ratio, state.draw_mm) == ("not-read", None, None, None)
    assert (state.relative_force, state.relative_force_low, state.force_absent_reason) == (None, None, "not-read")
    assert state.target_mark_mm == D("17.5")
    assert state.below_range_at is not None  # foretold from its last reading


def test_on_hold_the_plan_of_a_whole_installation_tightens_nothing() -> None:
    for before, state in zip(states(), states(hold=True), strict=True):
        assert state.hold
        assert state.stretch_ratio is not None
        assert state.draw_mm is not None
        assert state.target_mark_mm is not None
        assert state.target_mark_mm <= (before.mark_mm or 0)
        assert state.draw_mm <= 0


def test_on_hold_without_any_mark_read_nothing_is_to_be_set() -> None:
    state = states([fact(1, 50, None), *FACTS[1:]], hold=True)[0]
    assert (state.target_stretch_ratio, state.target_mark_mm) == (None, None)


def test_without_gaps_there_is_a_stretch_and_no_plan() -> None:
    state = states([replace(f, paired_gap_mm=None) for f in FACTS], gaps=None)[1]
    assert state.stretch_ratio == D("1.7")
    assert (state.gap_mm, state.span_mm, state.target_mark_mm, state.draw_mm) == (None, None, None, None)
    assert (state.unstretched_span_mm, state.below_range_at) == (None, None)


def test_a_band_below_range_is_not_foretold_to_get_there() -> None:
    assert below_range_at(D(60), D(50), D("1.49"), WOUND, POLICY) is None
    assert below_range_at(D(60), D(50), D("1.5"), WOUND, POLICY) is not None
    assert below_range_at(D(45), D(50), None, WOUND, POLICY) == AT  # already there by its gap


def test_with_a_bench_table_forces_are_in_newtons_and_end_with_the_table() -> None:
    bench = bench_table("invented", (1, 1.25, 1.5, 1.75, 2.0), (0, 1.10, 1.80, 2.35, 2.85))
    found = band_states(FACTS, WOUND, POLICY, bench)
    assert found[0].force_n == pytest.approx(2.032018, abs=1e-3)
    assert (found[2].force_n, found[2].force_absent_reason) == (None, "outside-calibration")


def test_shares_and_means_count_the_bands_read_only() -> None:
    assert share_in_range(states()) == D(2) / 3
    unread = states([replace(f, read_now=False) for f in FACTS])
    assert (share_in_range(unread), relative_force_mean(unread)) == (None, None)
    # S8: five bands, mean .782152
    five = [replace(fact(2, 100, m), band=i) for i, m in enumerate(("15", "18", "20", "18", "15"), start=1)]
    assert relative_force_mean(states(five)) == pytest.approx(0.782152, abs=1e-6)


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(50, 400)), min_size=1, max_size=12), st.booleans())
def test_every_plan_keeps_its_promises(bands: list[tuple[int, int]], hold: bool) -> None:
    facts = [replace(fact(2, station, str(D(mark) / 10)), band=i) for i, (station, mark) in enumerate(bands, start=1)]
    assume(all(f.mark_mm for f in facts))
    for state in states(facts, hold=hold):
        assert state.target_mark_mm is not None
        assert state.draw_mm is not None
        assert state.stretch_ratio is not None
        assert state.target_mark_mm <= POLICY.stretch_high * 10
        set_to = state.target_mark_mm / 10
        assert (state.draw_mm > 0) == (set_to > state.stretch_ratio)
        if hold:
            assert set_to <= state.stretch_ratio
        else:
            assert set_to >= POLICY.stretch_low
    assert sorted(state.order or 0 for state in states(facts)) == list(range(1, len(facts) + 1))
