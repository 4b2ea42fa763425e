"""Time to an event with competing events: Kaplan-Meier and Aalen-Johansen, by statsmodels.

Where a graft, death or giving up can come first, the probability of closure by a day is the cumulative incidence
(Aalen-Johansen). 1 - Kaplan-Meier with the others censored is larger than that and answers another question
(Satagopan et al., Br J Cancer 2004;91:1229-1235).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm
from statsmodels.duration.survfunc import (  # type: ignore[import-untyped]  # carries no types
    CumIncidenceRight,
    SurvfuncRight,
    survdiff,
)

__all__ = ["Incidence", "Survival", "cumulative_incidence", "log_rank", "quantile_limits", "survival"]

Floats = NDArray[np.float64]
_Z = float(norm.ppf(0.975))


@dataclass(frozen=True, slots=True)
class Survival:
    """Kaplan-Meier at the times at which an event happened: share without event, Greenwood's error, 95 % limits."""

    times: Floats
    at_risk: Floats
    events: Floats
    share: Floats
    error: Floats
    low: Floats
    high: Floats

    def quantile(self, p: float) -> float | None:
        """The first time at which at least the share `p` has had the event; None when never reached."""
        reached = np.flatnonzero(self.share <= 1 - p + 1e-12)
        return float(self.times[reached[0]]) if reached.size else None


@dataclass(frozen=True, slots=True)
class Incidence:
    """Aalen-Johansen at every time at which anything happened: for each cause the share that had it, and its error."""

    times: Floats
    shares: tuple[Floats, ...]
    errors: tuple[Floats, ...]

    def at(self, moments: ArrayLike, cause: int) -> tuple[Floats, Floats]:
        """Share and standard error of a cause (counted from 1) at given moments; 0 before the first time."""
        place = np.searchsorted(self.times, moments, side="right")
        share = np.concatenate(([0.0], self.shares[cause - 1]))[place]
        return share, np.concatenate(([0.0], self.errors[cause - 1]))[place]


def survival(times: ArrayLike, happened: ArrayLike) -> Survival:
    """Kaplan-Meier; `happened` is 1 for an event and 0 for a censored time. Limits on the log(-log) scale.

    Greenwood 1926; Kalbfleisch and Prentice 2002. Raises ValueError without times.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        found = SurvfuncRight(np.asarray(times, float), np.asarray(happened, int))
        low, high = loglog_limits(found.surv_prob, found.surv_prob_se)
    kept = found.n_events > 0
    columns = (found.surv_times, found.n_risk, found.n_events, found.surv_prob, found.surv_prob_se, low, high)
    return Survival(*(np.asarray(column, float)[kept] for column in columns))


def loglog_limits(share: Floats, error: Floats) -> tuple[Floats, Floats]:
    """95 % limits exp(-exp(log(-log S) -+ z SE / (S |log S|))); NaN where S is 0 or 1."""
    log_share = np.log(share)
    spread = _Z * error / (share * np.abs(log_share))
    base = np.log(-log_share)
    return np.exp(-np.exp(base + spread)), np.exp(-np.exp(base - spread))


def quantile_limits(times: ArrayLike, happened: ArrayLike, p: float, scale: str = "cloglog") -> tuple[float, float]:
    """95 % limits of the time at which the share `p` has had the event (Brookmeyer and Crowley 1982).

    `scale`: linear, cloglog, log, asinsqrt or logit.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = SurvfuncRight(np.asarray(times, float), np.asarray(happened, int)).quantile_ci(p, method=scale)
    return float(low), float(high)


def cumulative_incidence(times: ArrayLike, causes: ArrayLike) -> Incidence:
    """Aalen-Johansen; `causes` counts from 1, 0 is censored. Causes up to the largest given are kept, empty ones too.

    Aalen and Johansen 1978; errors by the delta method. Raises ValueError without times.
    """
    told = np.asarray(causes, int)
    highest = int(told.max(initial=0))
    present = [cause for cause in range(1, highest + 1) if (told == cause).any()]
    codes = np.zeros(highest + 1, int)
    codes[present] = np.arange(1, len(present) + 1)  # the library wants causes without a hole
    with np.errstate(divide="ignore", invalid="ignore"):
        found = CumIncidenceRight(np.asarray(times, float), codes[told])
    nothing = np.zeros_like(found.times, dtype=float)
    by_cause = {cause: (found.cinc[at], found.cinc_se[at]) for at, cause in enumerate(present)}
    listed = [by_cause.get(cause, (nothing, nothing)) for cause in range(1, highest + 1)]
    return Incidence(
        np.asarray(found.times, float),
        tuple(share for share, _ in listed),
        tuple(np.nan_to_num(error, nan=float(np.nanmax(error, initial=0.0))) for _, error in listed),
    )


def log_rank(times: ArrayLike, happened: ArrayLike, groups: Sequence[str]) -> tuple[float, float]:
    """Chi-squared and p of the log-rank test between groups (Mantel 1966)."""
    chi_squared, p = survdiff(np.asarray(times, float), np.asarray(happened, int), np.asarray(groups))
    return float(chi_squared), float(p)
