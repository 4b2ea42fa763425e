"""When the gap will be closable, and how sure that is: two candidate processes of equal weight, no draws.

Either the widest gap falls at a constant mean speed with Wiener noise, or its logarithm does; each counts half. The
model, its weak prior and the simulated coverage are described in docs/forecast.md; the published closures it is
meant for took 2 to 30 days. A forecast is no promise: an open end is shown as open, and no date is given at all where
the readings do not show a trend.
"""

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from msgspec import Struct

from service.clinic.first_passage import Process, observed_process, quantile, student_cdf
from service.clinic.policy import Policy
from service.clinic.rate import GapPoint, days_between

PRIOR_NU = 3
PRIOR_SIGMA_MM = 8.0  # per √day: about what swelling and the ruler together do from one look to the next
PRIOR_SIGMA_LOG = 0.2  # per √day, the same for the logarithm
MIN_READINGS = 4
MIN_SPAN = timedelta(hours=24)
FURTHER_AFTER_REBOUND = 2
TREND_P = 0.05
CLOSED_GAP_MM = 0.5  # what a gap of 0 counts as where a logarithm is taken
EARLY, MIDDLE, LATE = 0.05, 0.5, 0.95

CLOSED = "closed"
ALREADY_CLOSABLE = "already-closable"
TOO_FEW_READINGS = "too-few-readings"
AFTER_REBOUND = "after-rebound"
NOT_CLOSING = "not-closing"
NO_TREND = "no-trend"


class Forecast(Struct, frozen=True):
    """When the widest gap reaches the closable gap; probabilities are counted from the latest gap reading.

    `closable_at_median`, `_p05`, `_p95`: absent when beyond the horizon, and `open_ended` when the last of them is.
    With `absent_reason` there is no forecast; the probabilities are then absent too, or 1 when already closable.
    """

    closable_at_median: datetime | None
    closable_at_p05: datetime | None
    closable_at_p95: datetime | None
    open_ended: bool
    p_closable_24h: float | None
    p_closable_48h: float | None
    p_closable_72h: float | None
    absent_reason: str | None


class PooledProcesses(Struct, frozen=True):
    """The two candidate processes of a series of gaps, each with half the weight."""

    linear: Process
    logarithmic: Process

    def arrived_by(self, days: float) -> float:
        """Chance that the gap is closable within so many days of the last reading, 0 to 1."""
        return (self.linear.arrived_by(days) + self.logarithmic.arrived_by(days)) / 2


class Trend(Struct, frozen=True):
    """Least-squares line: slope per day, intercept, residual standard deviation, two-sided p of the slope."""

    slope: float
    intercept: float
    residual_sd: float
    p: float


def least_squares_trend(x: Sequence[float], y: Sequence[float]) -> Trend:
    """Straight line through 3 or more points at two or more different times (ValueError otherwise)."""
    n = len(x)
    x_mean, y_mean = math.fsum(x) / n if n else 0.0, math.fsum(y) / n if n else 0.0
    sxx = math.fsum((value - x_mean) ** 2 for value in x)
    if n < 3 or sxx == 0:
        raise ValueError("a trend needs three readings at two or more times")
    slope = math.fsum((a - x_mean) * (b - y_mean) for a, b in zip(x, y, strict=True)) / sxx
    intercept = y_mean - slope * x_mean
    residual = math.fsum((b - intercept - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    error = math.sqrt(residual / (n - 2) / sxx)
    if error == 0:
        return Trend(slope, intercept, 0.0, 0.0 if slope else 1.0)
    return Trend(slope, intercept, math.sqrt(residual / (n - 2)), 2 * student_cdf(-abs(slope) / error, n - 2))


def pooled_processes(days: Sequence[float], gaps_mm: Sequence[float], closable_gap_mm: float) -> PooledProcesses:
    """Both processes as the gaps (mm) at the given days show them; the last gap must be above the closable one."""
    logarithms = [math.log(gap or CLOSED_GAP_MM) for gap in gaps_mm]
    wanted = math.log(closable_gap_mm)
    return PooledProcesses(
        observed_process(list(days), list(gaps_mm), closable_gap_mm, PRIOR_NU, PRIOR_SIGMA_MM),
        observed_process(list(days), logarithms, wanted, PRIOR_NU, PRIOR_SIGMA_LOG),
    )


def absent_reason(
    points: Sequence[GapPoint], further_since_rebound: int | None, not_closing: bool, closed: bool, policy: Policy
) -> str | None:
    """Why there is no forecast: the first that holds, in the order of the tests below; None when there is one."""
    if closed:
        return CLOSED
    if points and points[-1].gap_mm <= policy.closable_gap_mm:
        return ALREADY_CLOSABLE
    if len(points) < MIN_READINGS or points[-1].at - points[0].at < MIN_SPAN:
        return TOO_FEW_READINGS
    if further_since_rebound is not None and further_since_rebound < FURTHER_AFTER_REBOUND:
        return AFTER_REBOUND
    if not_closing:
        return NOT_CLOSING
    trend = least_squares_trend(*_numbers(points))
    return None if trend.slope < 0 and trend.p < TREND_P else NO_TREND


def forecast(
    points: Sequence[GapPoint],
    policy: Policy,
    further_since_rebound: int | None = None,
    not_closing: bool = False,
    closed: bool = False,
) -> Forecast:
    """When the gap will be closable, from the grouped comparable readings since the first installation.

    `points` and `further_since_rebound` as `rate.GapSeries` gives them; `not_closing`: that alert is active; `closed`:
    the course is. Deterministic: the same readings give the same forecast to the last digit.
    """
    reason = absent_reason(points, further_since_rebound, not_closing, closed, policy)
    if reason is not None:
        certain = 1.0 if reason == ALREADY_CLOSABLE else None
        return Forecast(None, None, None, False, certain, certain, certain, reason)
    days, gaps = _numbers(points)
    pooled = pooled_processes(days, gaps, float(policy.closable_gap_mm))
    horizon = float(policy.horizon_days)
    at_horizon = pooled.arrived_by(horizon)
    early, middle, late = (quantile(pooled.arrived_by, q, horizon, at_horizon) for q in (EARLY, MIDDLE, LATE))
    latest = points[-1].at
    return Forecast(
        closable_at_median=_after(latest, middle),
        closable_at_p05=_after(latest, early),
        closable_at_p95=_after(latest, late),
        open_ended=late is None,
        p_closable_24h=pooled.arrived_by(1),
        p_closable_48h=pooled.arrived_by(2),
        p_closable_72h=pooled.arrived_by(3),
        absent_reason=None,
    )


def _numbers(points: Sequence[GapPoint]) -> tuple[list[float], list[float]]:
    first = points[0].at
    return [days_between(first, point.at) for point in points], [float(point.gap_mm) for point in points]


def _after(latest: datetime, days: float | None) -> datetime | None:
    # To whole seconds: the search is exact to a tenth of one, and a microsecond would pretend more.
    return None if days is None else latest + timedelta(seconds=round(days * 86_400))
