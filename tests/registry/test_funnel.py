"""Funnel limits: Spiegelhalter, Stat Med 2005;24:1185-1202 (the interpolation from memory); data/funnel_limits.csv
(computed with SciPy 1.17.1); the published illustration of Spiegelhalter, Qual Saf Health Care 2002;11:390.
"""

from fractions import Fraction
from math import comb

import pytest
from scipy.stats import norm

from service.registry.funnel import limits, outside
from tests.registry.check_data import rows

FILE = rows("funnel_limits.csv")


@pytest.mark.parametrize("row", FILE, ids=lambda row: f"{row['theta']}-{row['n']}-{row['p_one_sided']}")
def test_limits_and_flags_are_those_of_the_file(row):
    """U1, U2, U4."""
    target, n, p = float(row["theta"]), int(row["n"]), float(row["p_one_sided"])
    assert limits(target, n, p) == pytest.approx((float(row["lower"]), float(row["upper_reflected"])), abs=1e-6)
    low = [r for r in range(n + 1) if outside(r, n, target, p) == "low"]
    high = [r for r in range(n + 1) if outside(r, n, target, p) == "high"]
    assert (max(low, default=-1), min(high, default=-1)) == (int(row["flag_low_max_r"]), int(row["flag_high_min_r"]))


def test_limits_at_ninety_percent_as_printed():
    """U1, U2: n 10, 20, 50, 100, 200."""
    found = [limits(0.9, n, 0.025) for n in (10, 20, 50, 100, 200)]
    assert [one.low for one in found] == pytest.approx([0.621264, 0.721532, 0.800277, 0.832281, 0.854028], abs=1e-6)
    assert [one.high for one in found] == pytest.approx([1, 1, 0.986137, 0.959619, 0.942309], abs=1e-6)
    alarm = [limits(0.9, n, 0.001).low for n in (10, 20, 50, 100, 200)]
    assert alarm == pytest.approx([0.457330, 0.614828, 0.739872, 0.791643, 0.826433], abs=1e-6)


def test_exact_limits_approach_the_normal_ones_with_size():
    """U3: the normal limits at theta 0.8, n 50 are .689128 to .910872; at n 20,000 exact and normal agree."""
    spread = norm.ppf(0.975) * (0.8 * 0.2 / 50) ** 0.5
    assert [0.8 - spread, 0.8 + spread] == pytest.approx([0.689128, 0.910872], abs=1e-6)
    spread = norm.ppf(0.975) * (0.8 * 0.2 / 20_000) ** 0.5
    assert limits(0.8, 20_000, 0.025) == pytest.approx((0.8 - spread, 0.8 + spread), abs=1e-4)


def test_a_site_is_flagged_by_the_exact_tail_and_not_by_the_drawn_line():
    """U4: theta 0.9, n 50: low flag up to 40, high flag only at 50; P(R >= 49) = .0338, here with fractions."""
    assert [r for r in range(51) if outside(r, 50, 0.9, 0.025) == "low"] == list(range(41))
    assert [r for r in range(51) if outside(r, 50, 0.9, 0.025) == "high"] == [50]
    theta = Fraction(9, 10)
    tail = sum(comb(50, r) * theta**r * (1 - theta) ** (50 - r) for r in (49, 50))
    assert float(tail) == pytest.approx(0.0338, abs=5e-5)


def test_the_published_illustration_has_this_lower_limit():
    """U5: overall rate 7.4 %, n 100, 95 %: interpolated .021691, beside the normal .022694."""
    assert limits(0.074, 100, 0.025).low == pytest.approx(0.021691, abs=1e-6)


@pytest.mark.parametrize("case", [(0, 10, 0.025), (1, 10, 0.025), (0.5, 0, 0.025), (0.5, 10, 0.5), (0.5, 10, 0)])
def test_a_funnel_without_a_target_or_a_size_is_refused(case):
    with pytest.raises(ValueError, match="no funnel limits"):
        limits(*case)
