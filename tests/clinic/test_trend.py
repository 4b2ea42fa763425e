"""The least-squares line that decides whether a forecast is given, against certified and worked values.

N and F numbers name rows of the check values. Non-linear regression (Misra1a, BoxBOD), Fieller limits and exponential
fits have no place in the service: the forecast is the pooled first-passage model, so their rows have nothing to check.
"""

from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.forecast import least_squares_trend
from service.clinic.resets import BandClock, due_reset
from tests.clinic.check_tables import column, rows
from tests.clinic.scenario import D, at


def test_the_line_through_the_norris_data_has_the_certified_coefficients() -> None:
    # N1: NIST StRD, linear least squares, Norris (36 points): certified to 15 digits.
    table = rows("nist_strd_norris.csv")
    line = least_squares_trend(column(table, "x"), column(table, "y"))
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.p < 1e-12


def test_the_line_foretells_the_known_gap_on_the_third_day() -> None:
    # F5, computed with statsmodels 0.15.0: series A at day 3, 2.546667 cm.
    table = [row for row in rows("forecast_examples.csv") if row["series"] == "A"]
    line = least_squares_trend(column(table, "day"), column(table, "gap_cm"))
    assert line.intercept + 3 * line.slope == pytest.approx(2.546667, abs=1e-6)


def test_the_line_through_three_points_crosses_zero_on_its_known_day() -> None:
    # F7: gaps 6, 5, 4.2 cm on days 0, 1, 2; the line is at 0 on day 6.629630.
    line = least_squares_trend([0, 1, 2], [6, 5, 4.2])
    assert -line.intercept / line.slope == pytest.approx(6.629630, abs=1e-6)


looks = st.lists(
    st.tuples(st.integers(1, 200), st.sampled_from([None, "below-range", "above-maximum"])), min_size=1, max_size=8
)


@given(looks, st.integers(1, 40), st.integers(0, 5))
def test_looking_at_a_band_never_changes_an_interval_and_never_postpones_anything_while_it_stays_out_of_range(
    seen: list[tuple[int, str | None]], interval_h: int, grace_h: int
) -> None:
    clock = BandClock(1, at(0), "i1")
    dues = []
    for number, (hours, reason) in enumerate(sorted(seen, key=lambda look: look[0])):
        clock = clock.read(reason, at(hours), f"c{number}")
        due = due_reset([clock], None, D(interval_h), D(grace_h))
        assert due is not None
        (interval,) = [one for one in due.candidates if one.reason == "interval"]
        assert interval.due_at == at(0) + timedelta(hours=interval_h)
        assert due.due_at <= interval.due_at
        dues.append((reason, due.due_at))
    for (_, earlier), (reason, later) in pairwise(dues):
        assert reason is None or later <= max(earlier, at(0) + timedelta(hours=interval_h))
        if reason is not None and earlier < at(0) + timedelta(hours=interval_h):
            assert later <= earlier
