"""Survival and cumulative incidence against published tables; the source stands in each data file and docstring."""

from fractions import Fraction

import numpy as np
import pytest

from service.registry.time_to_event import cumulative_incidence, log_rank, quantile_limits, survival
from tests.registry.check_data import rows

SIX_MP = rows("km_6mp.csv")
EXPECTED = rows("km_6mp_expected.csv")
MARROW = rows("bmt_all_group.csv")
CLOSURE = rows("competing_closure_example.csv")


def arm(name):
    return [[int(row[key]) for row in SIX_MP if row["arm"] == name] for key in ("weeks", "status")]


def closure():
    return [[int(row[key]) for row in CLOSURE] for key in ("day", "event")]


def test_kaplan_meier_is_that_of_the_6_mp_trial():
    """K1: Freireich et al., Blood 1963;21:699-716; exact fractions."""
    found = survival(*arm("6-MP"))
    assert list(found.times) == [float(row["week"]) for row in EXPECTED]
    exact = [float(Fraction(row["survival_fraction"])) for row in EXPECTED]
    assert found.share == pytest.approx(exact, abs=1e-9)
    assert list(found.at_risk) == [float(row["at_risk"]) for row in EXPECTED]
    assert list(found.events) == [float(row["events"]) for row in EXPECTED]


def test_greenwoods_error_is_that_of_the_6_mp_trial():
    """K2: Greenwood 1926."""
    assert survival(*arm("6-MP")).error == pytest.approx([float(row["greenwood_se"]) for row in EXPECTED], abs=1e-9)


def test_limits_on_the_loglog_scale_are_those_of_lifelines():
    """K3: computed with lifelines 0.30.3."""
    found = survival(*arm("6-MP"))
    assert found.low == pytest.approx([float(row["ci_low_loglog"]) for row in EXPECTED], abs=1e-6)
    assert found.high == pytest.approx([float(row["ci_high_loglog"]) for row in EXPECTED], abs=1e-6)


def test_medians_and_log_rank_of_the_6_mp_trial():
    """K4: computed with lifelines 0.30.3."""
    assert survival(*arm("6-MP")).quantile(0.5) == 23
    assert survival(*arm("placebo")).quantile(0.5) == 8
    weeks, status = ([int(row[key]) for row in SIX_MP] for key in ("weeks", "status"))
    chi_squared, p = log_rank(weeks, status, [row["arm"] for row in SIX_MP])
    assert chi_squared == pytest.approx(16.792941, abs=1e-5)
    assert p == pytest.approx(4.1688e-5, abs=1e-8)


def test_a_quantile_that_is_never_reached_is_none():
    assert survival([1, 2, 3, 4], [1, 0, 0, 0]).quantile(0.5) is None


def test_kaplan_meier_is_that_of_the_marrow_transplants():
    """K5: Klein and Moeschberger 1997, ALL group; reference results of the statsmodels suite."""
    found = survival([int(row["days"]) for row in MARROW], [int(row["status"]) for row in MARROW])
    expected = rows("bmt_all_group_expected.csv")
    assert list(found.times) == [float(row["days"]) for row in expected]
    assert found.share == pytest.approx([float(row["survival"]) for row in expected], abs=1e-4)
    assert found.error == pytest.approx([float(row["standard_error"]) for row in expected], abs=1e-4)


@pytest.mark.parametrize(
    ("scale", "expected"),
    [
        ("linear", (107, 276)),
        ("cloglog", (86, 230)),
        ("log", (107, 332)),
        ("asinsqrt", (104, 276)),
        ("logit", (104, 230)),
    ],
)
def test_limits_of_the_first_quartile_are_those_of_the_marrow_transplants(scale, expected):
    """K5."""
    found = quantile_limits([int(row["days"]) for row in MARROW], [int(row["status"]) for row in MARROW], 0.25, scale)
    assert found == expected


def test_cumulative_incidence_of_three_causes():
    """K6: statsmodels suite; estimates agree with R cmprsk, errors with Stata."""
    told = rows("competing_risks_small.csv")
    found = cumulative_incidence([int(row["time"]) for row in told], [int(row["event"]) for row in told])
    for row in rows("competing_risks_small_expected.csv"):
        for cause in (1, 2, 3):
            share, error = found.at([float(row["time"])], cause)
            assert share[0] == pytest.approx(float(row[f"cif{cause}"]), abs=1e-7)
            assert error[0] == pytest.approx(float(row[f"se{cause}"]), abs=1e-7)


def test_cumulative_incidence_is_that_of_a_published_table():
    """K7: Satagopan et al., Br J Cancer 2004;91:1229-1235, Table 2; 305 patients, the rest followed longer.

    One patient is censored before day 10, since 304 are at risk there; two more between the printed events (at 16 and
    23), as the numbers at risk say.
    """
    events = [(10, 1), (16, 1), (18, 2), (23, 1), (26, 2), (27, 1)]
    at_risk = dict(zip([10, 16, 18, 23, 26, 27], [304, 302, 301, 300, 298, 297], strict=True))
    times, causes, left = [], [], 305
    for time, cause in events:
        while left > at_risk[time]:
            times.append(time - 0.5)
            causes.append(0)
            left -= 1
        times.append(time)
        causes.append(cause)
        left -= 1
    times += [40] * left
    causes += [0] * left
    assert len(times) == 305
    found = cumulative_incidence(times, causes)
    share, _ = found.at([10, 16, 23, 27], 1)
    assert share == pytest.approx([0.003289, 0.006590, 0.009890, 0.013202], abs=1e-6)
    printed = [0.003, 0.006, 0.009, 0.012]  # the printed column adds increments that were rounded to 0.3 %
    assert share == pytest.approx(printed, abs=0.0015)
    whole = survival(times, np.minimum(causes, 1))
    assert 100 * whole.share == pytest.approx([99.7, 99.3, 99.0, 98.7, 98.3, 98.0], abs=0.05)


DAYS = [2, 3, 4, 5, 6, 7, 8, 9, 10]


def test_cumulative_incidence_of_the_closure_example():
    """K8: invented, exact by hand."""
    found = cumulative_incidence(*closure())
    closed, other = (found.at(DAYS, cause)[0] for cause in (1, 2))
    assert closed == pytest.approx([0.1, 0.2, 0.3, 0.3, 0.42, 0.42, 0.54, 0.66, 0.66], abs=1e-12)
    assert other == pytest.approx([0.0, 0.1, 0.1, 0.1, 0.1, 0.22, 0.22, 0.22, 0.22], abs=1e-12)
    assert closed[-1] == pytest.approx(33 / 50, abs=1e-12)
    assert other[-1] == pytest.approx(11 / 50, abs=1e-12)


def test_censoring_competing_events_overstates_the_probability():
    """K9: 1 - Kaplan-Meier is larger than the cumulative incidence; the report does not offer it as a probability."""
    days, events = closure()
    found = survival(days, [1 if event == 1 else 0 for event in events])
    assert 1 - found.share == pytest.approx([0.1, 0.2, 0.314286, 0.451429, 0.634286, 0.817143], abs=1e-6)
    assert 1 - found.share[-1] > 33 / 50


def test_survival_and_incidences_add_up_to_one():
    """K10: an identity; the closure example and 200 random courses."""
    generator = np.random.default_rng(11)
    for days, events in (closure(), (generator.integers(1, 40, 200), generator.integers(0, 4, 200))):
        found = cumulative_incidence(days, events)
        whole = survival(days, np.minimum(events, 1))
        total = sum(found.at(whole.times, cause)[0] for cause in range(1, len(found.shares) + 1))
        assert whole.share + total == pytest.approx(np.ones(len(whole.times)), abs=1e-12)


def test_a_cause_that_never_happens_has_an_incidence_of_nought():
    found = cumulative_incidence([1, 2, 3], [1, 3, 0])
    assert list(found.at([3], 2)[0]) == [0.0]
    assert found.at([3], 3)[0][0] == pytest.approx(1 / 3)
    assert found.at([0.5], 1)[0][0] == 0.0
