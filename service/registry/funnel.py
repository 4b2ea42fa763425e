"""Exact limits of a funnel plot for a proportion around a target (Spiegelhalter, Stat Med 2005;24:1185-1202).

A limit is drawn between counts by interpolation; whether a site lies outside is asked of the exact binomial tail
instead, since the drawn upper limit can flag a count whose tail is larger than the level (check values U4).
"""

from typing import NamedTuple

from scipy.stats import binom

WARN, ALARM = 0.025, 0.001  # one-sided: 95 % and 99.8 % limits


class Limits(NamedTuple):
    """Limits at one n and one level."""

    low: float
    high: float


def limits(target: float, n: int, p: float) -> Limits:
    """Limits for a site of n courses; `target` in (0, 1), n >= 1, `p` one-sided, in (0, 0.5). Raises ValueError.

    The lower one is (r - a) / n with r the smallest count whose P(R <= r) reaches p, and a the share of its own
    probability by which it overshoots; the upper one is the lower one of the complement, so that both are symmetric.
    """
    if not 0 < target < 1 or n < 1 or not 0 < p < 0.5:
        raise ValueError(f"no funnel limits for target {target}, n {n}, p {p}")
    return Limits(_lower(target, n, p), 1.0 - _lower(1.0 - target, n, p))


def _lower(target: float, n: int, p: float) -> float:
    count = binom.ppf(p, n, target)
    overshoot = (binom.cdf(count, n, target) - p) / binom.pmf(count, n, target)
    return float(min(1.0, max(0.0, (count - overshoot) / n)))


def outside(events: int, n: int, target: float, p: float) -> str:
    """`low` when P(R <= events) < p, `high` when P(R >= events) < p, else empty."""
    if binom.cdf(events, n, target) < p:
        return "low"
    return "high" if binom.sf(events - 1, n, target) < p else ""
