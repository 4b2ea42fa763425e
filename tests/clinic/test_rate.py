"""Speed of closing. T and F numbers name rows of the check values; their sources stand beside each check."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.clinic.rate import (
    GapPoint,
    GapSeries,
    closure_rate,
    gap_series,
    kendall_counts,
    median,
    not_closing_since,
    pair_slopes,
    rank_interval,
    ranks_to_drop,
    slow_widening_mm,
    smallest_two_sided_p,
    theil_sen,
)
from tests.clinic.check_tables import rows

START = datetime(2031, 3, 4, 8, 0, tzinfo=timezone(timedelta(hours=1)))
SIX = Decimal(6)


def points(*pairs: tuple[float, float | str]) -> list[GapPoint]:
    """Points from (hours after the start, gap in mm)."""
    return [GapPoint(START + timedelta(hours=h), Decimal(str(g))) for h, g in pairs]


def test_theil_sen_gives_the_printed_slope_and_exact_interval() -> None:
    # T1: Sen PK, J Am Stat Assoc 1968;63:1379-1389; the interval asked for at 95 % is the exact 97.0 % one.
    x, y = (1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78)
    slopes = pair_slopes(x, y)
    assert theil_sen(x, y) == 4
    assert rank_interval(slopes, 7) == pytest.approx((26 / 7, 35 / 8))
    assert rank_interval(slopes, 7, confidence=0.93) == pytest.approx((3.75, 4.18), abs=0.005)


def test_the_median_of_an_even_count_is_the_mean_of_the_middle_two() -> None:
    # T2: Wilcox, Fundamentals of Modern Statistical Methods.
    assert median((-340, 130, 496, 561, 713, 800, 851, 952, 1184, 1327)) == 756.5


@pytest.mark.parametrize(("n", "p"), [(3, 0.3333), (4, 0.0833), (5, 0.0167), (6, 0.0028), (7, 0.0004)])
def test_the_smallest_p_that_few_points_can_give(n: int, p: float) -> None:
    assert smallest_two_sided_p(n) == pytest.approx(p, abs=5e-5)  # T3: Kendall's S by convolution
    assert 2 * kendall_counts(n)[0] / sum(kendall_counts(n)) == pytest.approx(p, abs=5e-5)


def test_with_four_points_or_fewer_no_95_percent_interval_exists() -> None:
    # T4, from T3.
    assert [ranks_to_drop(n) for n in (1, 2, 3, 4)] == [None] * 4
    assert ranks_to_drop(5) == 1
    rate = closure_rate(points((0, 60), (12, 54), (24, 50), (36, 46)))
    assert (rate.low, rate.high, rate.interval_absent_reason) == (None, None, "fewer-than-5-readings")
    assert rate.mm_per_day is not None


@pytest.mark.parametrize("n", [2, 3, 5, 8, 12])
def test_the_counts_of_discordant_pairs_are_those_of_an_independent_library(n: int) -> None:
    # SciPy's exact Kendall test: two-sided p of tau = 1 and of one discordant pair.
    perfect = stats.kendalltau(range(n), range(n), method="exact").pvalue
    assert min(1.0, 2 * kendall_counts(n)[0] / sum(kendall_counts(n))) == pytest.approx(perfect)
    if n > 2:
        one_swap = [1, 0, *range(2, n)]
        p = stats.kendalltau(range(n), one_swap, method="exact").pvalue
        assert min(1.0, 2 * sum(kendall_counts(n)[:2]) / sum(kendall_counts(n))) == pytest.approx(p)


def _series(name: str) -> list[GapPoint]:
    found = [row for row in rows("forecast_examples.csv") if row["series"] == name]
    return [GapPoint(START + timedelta(days=float(r["day"])), 10 * Decimal(r["gap_cm"])) for r in found]


def test_the_steady_series_closes_at_its_known_speed() -> None:
    # F3: SciPy, series A: slope -1.2 cm/d, interval -1.6 to -0.8.
    rate = closure_rate(_series("A"))
    assert (rate.mm_per_day, rate.low, rate.high) == pytest.approx((12, 8, 16), abs=1e-5)
    assert rate.readings == 6


def test_the_rebounding_series_has_its_known_slope_when_taken_as_one() -> None:
    # F6: SciPy, series B: slope -0.3 cm/d, interval -1.4 to +0.9.
    rate = closure_rate(_series("B"))
    assert (rate.mm_per_day, rate.low, rate.high) == pytest.approx((3, -9, 14), abs=1e-5)


def test_a_rise_beyond_the_limit_is_a_rebound_and_starts_a_segment() -> None:
    series = gap_series(_series("B"), SIX)
    assert series.rebounds == [3]
    assert [point.gap_mm for point in series.segment] == [61, 54, 47]
    assert series.further_since_rebound == 2
    at_rebound = gap_series(_series("B")[:4], SIX)
    assert (at_rebound.rebound_mm, at_rebound.further_since_rebound) == (Decimal(15), 0)


def test_a_rise_to_the_limit_is_no_rebound() -> None:
    assert gap_series(points((0, 50), (12, 40), (24, 46)), SIX).rebounds == []
    assert gap_series(points((0, 50), (12, 40), (24, "46.1")), SIX).rebounds == [2]


def test_readings_within_an_hour_of_the_first_of_their_group_count_as_one() -> None:
    series = gap_series(points((0, 50), (0.5, 52), (0.99, 54), (1, 40)), SIX)
    assert [point.gap_mm for point in series.points] == [52, 40]
    assert series.points[0].at == START + timedelta(hours=1.49 / 3)


def test_a_second_look_can_take_back_a_rebound_of_its_group() -> None:
    series = GapSeries(SIX)
    first, high, low = points((0, 40), (12, 48), (12.5, 42))
    series.add(first.at, first.gap_mm)
    assert series.add(high.at, high.gap_mm) == 8
    assert series.copy().rebounds == [1]
    assert series.add(low.at, low.gap_mm) is None  # the mean of both is 45
    assert series.rebounds == []


def test_only_the_last_72_hours_of_the_segment_give_the_rate() -> None:
    rate = closure_rate(points((0, 90), (1, 89), (25, 50), (49, 40), (73, 30)))
    assert rate.readings == 4  # the one at 1 h lies exactly 72 h before
    assert closure_rate(points((0, 90), (12, 50), (84, 40))).readings == 2


@pytest.mark.parametrize(
    ("pairs", "reason"),
    [((), "too-few-readings"), (((0, 50),), "too-few-readings"), (((0, 50), (5.9, 40)), "under-6-h")],
)
def test_a_rate_that_cannot_be_known_is_absent_with_its_reason(
    pairs: tuple[tuple[float, float], ...], reason: str
) -> None:
    rate = closure_rate(points(*pairs))
    assert (rate.mm_per_day, rate.low, rate.high, rate.absent_reason) == (None, None, None, reason)


def test_two_readings_six_hours_apart_give_a_rate() -> None:
    assert closure_rate(points((0, 50), (6, 47))).mm_per_day == pytest.approx(12)


def test_an_unchanged_gap_closes_at_zero_without_a_sign() -> None:
    assert str(closure_rate(points((0, 50), (12, 50))).mm_per_day) == "0.0"


def test_a_slope_needs_two_times() -> None:
    with pytest.raises(ValueError, match="two points"):
        theil_sen((1, 1), (2, 3))


@pytest.mark.parametrize(
    ("pairs", "since_h"),
    [
        (((0, 50), (24, 49), (48, 48)), 0),  # smaller by the reading error only
        (((0, 50), (24, 49), (48, "47.9")), None),
        (((0, 50), (48, 50)), None),  # two readings only
        (((0, 50), (24, 50), (47.9, 50)), None),
        (((0, 60), (10, 50), (24, 49), (58, 50)), 10),  # the latest reading at least 48 h before counts
        ((), None),
    ],
)
def test_a_gap_that_does_not_narrow_over_two_days_is_not_closing(
    pairs: tuple[tuple[float, float | str], ...], since_h: float | None
) -> None:
    found = not_closing_since(points(*pairs), Decimal(2))
    assert (None if found is None else (found.at - START) / timedelta(hours=1)) == since_h


@pytest.mark.parametrize(
    ("gaps", "rise"),
    [
        ((40, 43, 47), 7),
        ((40, 43, 46), None),  # three reading errors exactly
        ((40, 47), None),  # one step: a rebound, no creeping
        ((50, 40, 44, 48, 47), 7),
        ((40, 48, 50, 51), None),  # a rebound, then little
        ((40, 43, 46, 49, 50), 10),  # stays said although the sum of the steps counts as a rebound
        ((), None),
    ],
)
def test_a_gap_that_creeps_wider_is_noticed(gaps: tuple[int, ...], rise: int | None) -> None:
    assert slow_widening_mm(points(*((12 * i, gap) for i, gap in enumerate(gaps))), Decimal(2), SIX) == rise


steps = st.lists(st.tuples(st.integers(1, 40), st.integers(0, 1200)), min_size=1, max_size=14)


def _walk(pairs: list[tuple[int, int]], shift: timedelta = timedelta()) -> list[GapPoint]:
    at, walk = START + shift, []
    for hours, tenths in pairs:
        at += timedelta(hours=hours)
        walk.append(GapPoint(at, Decimal(tenths) / 10))
    return walk


@given(steps, st.timedeltas(timedelta(days=-900), timedelta(days=900)))
def test_shifting_all_times_leaves_rates_unchanged(pairs: list[tuple[int, int]], shift: timedelta) -> None:
    assert closure_rate(_walk(pairs)) == closure_rate(_walk(pairs, shift))
    in_utc = [GapPoint(point.at.astimezone(UTC), point.gap_mm) for point in _walk(pairs)]
    assert closure_rate(in_utc) == closure_rate(_walk(pairs))


@given(steps)
def test_the_interval_holds_the_rate_and_the_rate_is_that_of_an_independent_library(
    pairs: list[tuple[int, int]],
) -> None:
    walk = _walk(pairs)
    window = [point for point in walk if walk[-1].at - point.at <= timedelta(hours=72)]
    rate = closure_rate(walk)
    if rate.mm_per_day is None:
        return
    x = [(point.at - window[0].at) / timedelta(days=1) for point in window]
    assert rate.mm_per_day == pytest.approx(-stats.theilslopes([float(p.gap_mm) for p in window], x).slope, abs=1e-9)
    if rate.low is not None and rate.high is not None:
        assert rate.low <= rate.mm_per_day <= rate.high


@given(steps)
def test_the_series_taken_one_by_one_equals_the_definition_of_segments(pairs: list[tuple[int, int]]) -> None:
    series = gap_series(_walk(pairs), SIX)
    smallest, expected = None, []
    for index, point in enumerate(series.points):
        if smallest is not None and point.gap_mm - smallest > SIX:
            expected.append(index)
            smallest = point.gap_mm
        smallest = point.gap_mm if smallest is None else min(smallest, point.gap_mm)
    assert series.rebounds == expected
