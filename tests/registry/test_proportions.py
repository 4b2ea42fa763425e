"""Proportions and rates against published intervals.

Sources: Newcombe RG, Stat Med 1998;17:857-872 (Table I, from memory, and equal to what statsmodels and SciPy compute);
the SciPy test suite (values made with another package); Newcombe, Stat Med 1998;17:873-890; Conover 1999 as worked on
influentialpoints.com; data/proportion_ci.csv (computed with statsmodels 0.15.0 and SciPy 1.17.1).
"""

import pytest

from service.registry.proportions import EXACT, WILSON_CORRECTED, difference, proportion, rate
from tests.registry.check_data import rows

NEWCOMBE = [(81, 263), (15, 148), (0, 20), (1, 29)]


def limits(events, n, *method, **more):
    found = proportion(events, n, *method, **more)
    return [found.low, found.high]


@pytest.mark.parametrize(
    ("case", "expected"),
    list(zip(NEWCOMBE, [(0.2553, 0.3662), (0.0624, 0.1605), (0, 0.1611), (0.0061, 0.1718)], strict=True)),
)
def test_wilson_limits_are_those_of_newcombes_table(case, expected):
    """B1."""
    assert limits(*case) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("case", "expected"),
    list(zip(NEWCOMBE, [(0.2535, 0.3682), (0.0598, 0.16445), (0, 0.2005), (0.0018, 0.1963)], strict=True)),
)
def test_wilson_limits_with_continuity_correction_are_those_of_newcombes_table(case, expected):
    """B2."""
    assert limits(*case, WILSON_CORRECTED) == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("case", "expected"),
    list(zip(NEWCOMBE, [(0.2527, 0.3676), (0.0578, 0.1617), (0, 0.1684), (0.0009, 0.1776)], strict=True)),
)
def test_exact_limits_are_those_of_newcombes_table(case, expected):
    """B3."""
    assert limits(*case, EXACT) == pytest.approx(expected, abs=6e-5)


def test_wilson_limits_of_ten_are_those_of_the_scipy_suite():
    """B4; the one-sided 95 % limits are those of the two-sided 90 % interval."""
    assert limits(0, 10) == pytest.approx([0, 0.2775328], abs=1e-6)
    assert limits(10, 10) == pytest.approx([0.7224672, 1], abs=1e-6)
    assert limits(3, 10, confidence=0.9) == pytest.approx([0.1268766, 0.5583002], abs=1e-6)


def test_wilson_limits_of_a_public_statistics_page():
    """B5: counts from the page, limits computed."""
    assert limits(23, 60) == pytest.approx([0.270883, 0.509824], abs=1e-6)


def test_exact_limits_of_a_worked_example():
    """B6."""
    assert limits(5, 25, EXACT) == pytest.approx([0.068, 0.407], abs=5e-4)


def test_the_difference_of_two_proportions_is_newcombes():
    """B7."""
    found, low, high = difference(56, 70, 48, 80)
    assert found == pytest.approx(0.2)
    assert [low, high] == pytest.approx([0.0524, 0.3339], abs=5e-5)


@pytest.mark.parametrize(
    ("case", "expected"),
    [((18, 25), (0.5242, 0.8572)), ((23, 25), (0.7503, 0.9778)), ((56, 56), (0.9358, 1))],
)
def test_published_closure_counts_have_these_limits(case, expected):
    """B8: Kenny et al., Ann Plast Surg 2018 (18 and 23 of 25); series of Torres et al. (56 of 56)."""
    assert limits(*case) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("row", rows("proportion_ci.csv"), ids=lambda row: f"{row['k']}/{row['n']}")
def test_every_row_of_the_file_of_intervals_is_met(row):
    """B9."""
    k, n = int(row["k"]), int(row["n"])
    for method, name in ((None, "wilson"), (WILSON_CORRECTED, "wilson_cc"), (EXACT, "clopper_pearson")):
        expected = [float(row[f"{name}_low"]), float(row[f"{name}_high"])]
        assert limits(k, n, *([method] if method else [])) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("method", ["wilson", WILSON_CORRECTED, EXACT])
def test_limits_meet_nought_and_one_exactly_and_stay_inside(method):
    """B10."""
    assert proportion(0, 0, method)[2:] == (None, None, None)
    for n in (1, 2, 7, 50, 1000):
        assert proportion(0, n, method).low == 0.0
        assert proportion(n, n, method).high == 1.0
        for events in range(0, n + 1, max(1, n // 7)):
            found = proportion(events, n, method)
            assert 0 <= found.low <= found.share <= found.high <= 1


def test_more_events_than_cases_are_refused():
    with pytest.raises(ValueError, match="11 of 10"):
        proportion(11, 10)


def test_a_difference_needs_cases_on_both_sides():
    assert difference(0, 0, 1, 2) is None


def test_a_rate_has_garwoods_limits():
    """Garwood 1936: 10 events in 1 unit have 4.795 to 18.390 (chi-squared quantiles, SciPy 1.17.1)."""
    found = rate(10, 1)
    assert [found.rate, found.low, found.high] == pytest.approx([10, 4.795389, 18.390356], abs=1e-6)


def test_a_rate_without_events_starts_at_nought_and_one_without_time_has_none():
    assert rate(0, 5).low == 0
    assert rate(0, 5).high == pytest.approx(3.688879454 / 5)  # -ln(0.025)
    assert rate(3, 0).rate is None
