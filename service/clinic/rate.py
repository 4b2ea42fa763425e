"""How fast the gap closes: grouped readings, rebounds, a robust slope with an exact interval.

Times are aware datetimes; slopes are floats in mm per day. Only comparable readings belong in here.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache

from msgspec import Struct, field

GROUP_WITHIN = timedelta(hours=1)  # readings less than this after the first of their group count as one
RATE_WINDOW = timedelta(hours=72)
RATE_SPAN = timedelta(hours=6)  # a slope over less than this says more about the ruler than about the wound
NOT_CLOSING_AFTER = timedelta(hours=48)
NOT_CLOSING_READINGS = 3
SLOW_WIDENING_ERRORS = 3
CONFIDENCE = 0.95

TOO_FEW_READINGS = "too-few-readings"
TOO_SHORT = "under-6-h"
TOO_FEW_FOR_INTERVAL = "fewer-than-5-readings"
TIED_TIMES = "no-rank-interval"


class ClosureRate(Struct, frozen=True):
    """Speed of the widest gap in mm per day, positive = closing; `None` with a reason where there is none."""

    mm_per_day: float | None
    low: float | None
    high: float | None
    readings: int
    absent_reason: str | None
    interval_absent_reason: str | None


class GapPoint(Struct, frozen=True):
    """The widest gap of one reading, or the mean of a group of readings within 1 h at their mean time."""

    at: datetime
    gap_mm: Decimal


def days_between(first: datetime, later: datetime) -> float:
    """Days from one instant to another."""
    return (later - first) / timedelta(days=1)


def mean_point(group: Sequence[GapPoint]) -> GapPoint:
    """Readings that count as one: mean gap at mean time."""
    if len(group) == 1:
        return group[0]
    first = group[0].at
    after = sum((point.at - first for point in group), timedelta())
    return GapPoint(first + after / len(group), sum((p.gap_mm for p in group), Decimal(0)) / len(group))


class GapSeries(Struct):
    """The comparable gap readings of a course in time order, grouped, with rebounds and the present segment.

    `add` costs the same however many readings came before. Only the last group can still change.
    """

    rebound_limit_mm: Decimal
    points: list[GapPoint] = field(default_factory=list)
    rebounds: list[int] = field(default_factory=list)  # indices of points that rebounded; each starts a segment
    _group: list[GapPoint] = field(default_factory=list)
    _smallest: list[Decimal] = field(default_factory=list)  # per point: smallest gap of its segment up to it

    def add(self, at: datetime, max_gap_mm: Decimal) -> Decimal | None:
        """Take one more reading, not earlier than the last; returns its group's `rebound_mm`, if it rebounded."""
        if self._group and at - self._group[0].at < GROUP_WITHIN:
            self._forget_last_point()
        else:
            self._group = []
        self._group.append(GapPoint(at, max_gap_mm))
        self._place(mean_point(self._group))
        return self.rebound_mm

    def _forget_last_point(self) -> None:
        self.points.pop()
        self._smallest.pop()
        if self.rebounds and self.rebounds[-1] == len(self.points):
            self.rebounds.pop()

    def _place(self, point: GapPoint) -> None:
        before = self._smallest[-1] if self._smallest else None
        if before is not None and point.gap_mm - before > self.rebound_limit_mm:
            self.rebounds.append(len(self.points))
            before = None
        self.points.append(point)
        self._smallest.append(point.gap_mm if before is None else min(before, point.gap_mm))

    @property
    def rebound_mm(self) -> Decimal | None:
        """By how much the latest reading lies above its former segment's smallest, if that is a rebound; else None."""
        if not self.rebounds or self.rebounds[-1] != len(self.points) - 1:
            return None
        return self.points[-1].gap_mm - self._smallest[-2]

    @property
    def segment(self) -> list[GapPoint]:
        """The points since the latest rebound, it included; all of them if there was none."""
        return self.points[self.rebounds[-1] if self.rebounds else 0 :]

    @property
    def further_since_rebound(self) -> int | None:
        """How many points came after the latest rebound; None without one."""
        return len(self.points) - 1 - self.rebounds[-1] if self.rebounds else None

    def copy(self) -> "GapSeries":
        """An independent copy; the points themselves are shared, they never change."""
        return GapSeries(
            self.rebound_limit_mm, self.points[:], self.rebounds[:], self._group[:], self._smallest[:]
        )  # fmt: skip


def gap_series(readings: Iterable[GapPoint], rebound_limit_mm: Decimal) -> GapSeries:
    """The series of the given readings, in time order."""
    series = GapSeries(rebound_limit_mm)
    for reading in readings:
        series.add(reading.at, reading.gap_mm)
    return series


def pair_slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Slopes of all pairs of points with different x, sorted."""
    n = len(x)
    return sorted((y[j] - y[i]) / (x[j] - x[i]) for i in range(n) for j in range(i + 1, n) if x[i] != x[j])


def median(ordered: Sequence[float]) -> float:
    """Middle value of sorted numbers, the mean of the middle two of an even count (T2)."""
    n = len(ordered)
    return ordered[n // 2] if n % 2 else (ordered[n // 2 - 1] + ordered[n // 2]) / 2


@lru_cache(maxsize=256)
def kendall_counts(n: int) -> tuple[int, ...]:
    """How many of the n! orders of n values have 0, 1, ... discordant pairs, by convolution (no ties)."""
    if n < 2:
        return (1,)
    shorter = kendall_counts(n - 1)
    counts, window = [], 0
    for k in range(len(shorter) + n - 1):  # the n-th value passes 0 to n - 1 of the others
        window += shorter[k] if k < len(shorter) else 0
        window -= shorter[k - n] if k >= n else 0
        counts.append(window)
    return tuple(counts)


def smallest_two_sided_p(n: int) -> float:
    """The smallest two-sided p that Kendall's S can have with n points without ties: 2 / n! (T3)."""
    return min(1.0, 2 / math.factorial(n))


@lru_cache(maxsize=256)
def ranks_to_drop(n: int, confidence: float = CONFIDENCE) -> int | None:
    """The k of the exact rank interval with n points, None if none exists at that confidence.

    The interval is from the k-th smallest to the k-th largest slope with the largest k for which both tails together,
    2 P(discordant pairs <= k - 1), do not exceed 1 - confidence. With 4 or fewer points none exists at 95 % (T4).
    """
    orders, tail = math.factorial(n), 0
    for k, count in enumerate(kendall_counts(n)):
        tail += count
        if 2 * tail / orders > 1 - confidence:
            return k or None
    return None


def rank_interval(slopes: Sequence[float], n: int, confidence: float = CONFIDENCE) -> tuple[float, float] | None:
    """Exact rank interval of the Theil-Sen slope from the sorted slopes of n points; None where there is none.

    Source: Sen PK, J Am Stat Assoc 1968;63:1379-1389. Needs different times throughout: all n(n-1)/2 slopes.
    """
    k = ranks_to_drop(n, confidence)
    if k is None or len(slopes) != n * (n - 1) // 2:
        return None
    return slopes[k - 1], slopes[-k]


def theil_sen(x: Sequence[float], y: Sequence[float]) -> float:
    """Median of the slopes of all pairs; unit of y per unit of x. Raises ValueError without two different x."""
    slopes = pair_slopes(x, y)
    if not slopes:
        raise ValueError("a slope needs two points at different times")
    return median(slopes)


def closure_rate(segment: Sequence[GapPoint]) -> ClosureRate:
    """Closing speed of the widest gap in mm per day over the last 72 h of the segment, positive = closing.

    Theil-Sen slope with its sign turned; needs 2 readings at least 6 h apart. The interval is the exact rank interval
    at 95 %, only with 5 or more readings: with fewer none exists (T3, T4). No figure is a promise about tomorrow.
    """
    if not segment:
        return ClosureRate(None, None, None, 0, TOO_FEW_READINGS, TOO_FEW_FOR_INTERVAL)
    latest = segment[-1].at
    window = [point for point in segment if latest - point.at <= RATE_WINDOW]
    if len(window) < 2:
        return ClosureRate(None, None, None, len(window), TOO_FEW_READINGS, TOO_FEW_FOR_INTERVAL)
    if latest - window[0].at < RATE_SPAN:
        return ClosureRate(None, None, None, len(window), TOO_SHORT, TOO_SHORT)
    x = [days_between(window[0].at, point.at) for point in window]
    slopes = pair_slopes(x, [float(point.gap_mm) for point in window])
    interval = rank_interval(slopes, len(window))
    missing = None if interval else TOO_FEW_FOR_INTERVAL if len(window) < 5 else TIED_TIMES
    low, high = (-interval[1], -interval[0]) if interval else (None, None)
    return ClosureRate(_turned(median(slopes)), low, high, len(window), None, missing)


def _turned(slope: float) -> float:
    return -slope if slope else 0.0  # no negative zero on a page


def not_closing_since(points: Sequence[GapPoint], gap_reading_error_mm: Decimal) -> GapPoint | None:
    """The earlier reading than which the latest is not smaller by more than the reading error; None while closing.

    The earlier one is the latest that lies at least 48 h before; there must be 3 or more readings from it on.
    """
    if not points:
        return None
    latest = points[-1]
    for index in range(len(points) - 1, -1, -1):
        if latest.at - points[index].at >= NOT_CLOSING_AFTER:
            enough = len(points) - index >= NOT_CLOSING_READINGS
            closing = points[index].gap_mm - latest.gap_mm > gap_reading_error_mm
            return points[index] if enough and not closing else None
    return None


def slow_widening_mm(points: Sequence[GapPoint], error_mm: Decimal, rebound_limit_mm: Decimal) -> Decimal | None:
    """By how much the latest gap lies above the smallest before it, when it crept there; else None.

    It crept when the rise exceeds three reading errors, took two or more readings, and no single step of it was itself
    more than the rebound limit. Counted across segments: the sum of small steps would otherwise pass as a rebound.
    """
    start = len(points) - 1
    while start > 0 and points[start].gap_mm - points[start - 1].gap_mm <= rebound_limit_mm:
        start -= 1
    run = points[max(start, 0) :]
    if not run:
        return None
    smallest = min(point.gap_mm for point in run)
    steps = next(i for i, point in enumerate(reversed(run)) if point.gap_mm == smallest)
    rise = run[-1].gap_mm - smallest
    return rise if steps >= 2 and rise > SLOW_WIDENING_ERRORS * error_mm else None
