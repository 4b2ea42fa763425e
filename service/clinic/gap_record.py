"""The gap readings of a course, one after another: baseline, latest, comparable series, rate.

Taking a reading costs the same however many came before it.
"""

from collections.abc import Sequence
from copy import copy
from datetime import datetime
from decimal import Decimal

from msgspec import Struct, field

from service.clinic.entries import GapReading
from service.clinic.gap import Baseline, GapMetrics, baseline_of, by_station, gap_metrics, is_comparable
from service.clinic.policy import Policy
from service.clinic.rate import RATE_WINDOW, ClosureRate, GapPoint, GapSeries, closure_rate, not_closing_since

NOTHING_MM = Decimal("0.000001")  # no ruler reads less; as a divisor it would give figures that nobody can show


def measurable(length_mm: Decimal) -> Decimal:
    """A length as read; under a millionth of a millimetre it is 0."""
    return length_mm if length_mm >= NOTHING_MM else Decimal(0)


class Creep(Struct, frozen=True):
    """How far the latest point lies above the smallest since the last single step beyond the rebound limit."""

    smallest_mm: Decimal
    readings: int  # points since that smallest one


class GapRecord(Struct):
    """What the gap readings of a course say so far."""

    length_mm: Decimal
    policy: Policy
    series: GapSeries
    baseline: Baseline | None = None
    latest: GapMetrics | None = None
    comparable: GapMetrics | None = None
    widest_so_far_mm: Decimal = Decimal(0)
    rate: ClosureRate = field(default_factory=lambda: closure_rate(()))
    _creeps: list[Creep] = field(default_factory=list)

    @classmethod
    def begin(cls, length_mm: Decimal, policy: Policy) -> "GapRecord":
        """Before the first reading."""
        return cls(length_mm, policy, GapSeries(policy.rebound_limit_mm))

    def add(self, entry_id: str, at: datetime, gaps: Sequence[GapReading]) -> GapMetrics:
        """Take one more reading, not earlier than the last, and give its metrics."""
        readings = by_station([(measurable(gap.station_mm), measurable(gap.gap_mm)) for gap in gaps])
        baseline = self.baseline or baseline_of(readings, self.length_mm)
        rebound = None
        if is_comparable([station for station, _ in readings], baseline.widest_station_mm):
            rebound = self._follow(at, max(gap for _, gap in readings))
        metrics = gap_metrics(
            entry_id, at, readings, self.length_mm, self.baseline, self.widest_so_far_mm, rebound_mm=rebound
        )
        self.baseline, self.latest = baseline, metrics
        if metrics.comparable:
            self.comparable = metrics
            self.widest_so_far_mm = max(self.widest_so_far_mm, metrics.max_gap_mm)
        return metrics

    def _follow(self, at: datetime, max_gap_mm: Decimal) -> Decimal | None:
        rebound = self.series.add(at, max_gap_mm)
        self._track_creep()
        self.rate = closure_rate(self._rate_window())
        return rebound

    def _track_creep(self) -> None:
        """The plain form over all points is `rate.slow_widening_mm`; here one point at a time."""
        points = self.series.points
        del self._creeps[len(points) - 1 :]  # the last group may have taken in one more reading
        latest = points[-1].gap_mm
        before = self._creeps[-1] if self._creeps else None
        stepped = before is not None and latest - points[-2].gap_mm > self.policy.rebound_limit_mm
        if before is None or stepped or latest <= before.smallest_mm:
            self._creeps.append(Creep(latest, 0))
        else:
            self._creeps.append(Creep(before.smallest_mm, before.readings + 1))

    def _rate_window(self) -> list[GapPoint]:
        """The points of the present segment that the rate looks at, found from the end."""
        points, rebounds = self.series.points, self.series.rebounds
        first, segment = len(points) - 1, rebounds[-1] if rebounds else 0
        while first > segment and points[-1].at - points[first - 1].at <= RATE_WINDOW:
            first -= 1
        return points[first:]

    @property
    def latest_point(self) -> GapPoint | None:
        """The latest comparable reading, or group of readings that count as one."""
        return self.series.points[-1] if self.series.points else None

    @property
    def creep(self) -> Creep | None:
        """How the latest comparable reading lies to the smallest before it."""
        return self._creeps[-1] if self._creeps else None

    def not_closing_since(self) -> GapPoint | None:
        """The reading at least 48 h ago than which the latest is not smaller; None while closing."""
        return not_closing_since(self.series.points, self.policy.gap_reading_error_mm)

    def copy(self) -> "GapRecord":
        """An independent copy; the readings themselves are shared, they never change."""
        twin = copy(self)
        twin.series, twin._creeps = self.series.copy(), self._creeps[:]
        return twin
