"""Proportions with their uncertainty, by statsmodels and SciPy; limits lie in [0, 1] and meet 0 and 1 exactly."""

from typing import NamedTuple

from scipy.stats import binomtest
from statsmodels.stats.proportion import (  # type: ignore[import-untyped]  # carries no types
    confint_proportions_2indep,
    proportion_confint,
)
from statsmodels.stats.rates import confint_poisson  # type: ignore[import-untyped]  # carries no types

WILSON, WILSON_CORRECTED, EXACT = "wilson", "wilson-corrected", "exact"


class Proportion(NamedTuple):
    """`events` of `n` with the interval; share and limits are None when n is 0."""

    events: int
    n: int
    share: float | None
    low: float | None
    high: float | None


class Rate(NamedTuple):
    """`events` in `exposure` (days) with the exact interval of a Poisson count."""

    events: int
    exposure: float
    rate: float | None
    low: float | None
    high: float | None


def proportion(events: int, n: int, method: str = WILSON, confidence: float = 0.95) -> Proportion:
    """Share with a two-sided interval.

    Wilson's score interval (Wilson 1927; Newcombe, Stat Med 1998;17:857-872), with Yates' continuity correction, or the
    exact one of Clopper and Pearson. 0 <= events <= n, else ValueError.
    """
    if not 0 <= events <= n:
        raise ValueError(f"{events} of {n} is no proportion")
    if n == 0:
        return Proportion(0, 0, None, None, None)
    if method == WILSON_CORRECTED:
        low, high = binomtest(events, n).proportion_ci(confidence, method="wilsoncc")
    else:
        library_name = {WILSON: "wilson", EXACT: "beta"}[method]
        low, high = proportion_confint(events, n, 1 - confidence, method=library_name)
    low = 0.0 if events == 0 else max(0.0, float(low))
    high = 1.0 if events == n else min(1.0, float(high))
    return Proportion(events, n, events / n, low, high)


def difference(events: int, n: int, other_events: int, other_n: int) -> tuple[float, float, float] | None:
    """Difference of two independent proportions with Newcombe's 95 % limits; None where one has no n.

    Newcombe, Stat Med 1998;17:873-890, method 10 (score intervals).
    """
    if n == 0 or other_n == 0:
        return None
    low, high = confint_proportions_2indep(events, n, other_events, other_n, method="newcomb", compare="diff")
    return events / n - other_events / other_n, float(low), float(high)


def rate(events: int, exposure: float) -> Rate:
    """Events a day of exposure with the exact 95 % limits (Garwood 1936); None without exposure."""
    if exposure <= 0:
        return Rate(events, 0.0, None, None, None)
    low, high = confint_poisson(events, exposure, method="exact-c")
    return Rate(events, exposure, events / exposure, 0.0 if events == 0 else float(low), float(high))
