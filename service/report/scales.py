"""Scales of a chart: values and times to places on paper, with round ticks."""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

STEPS = (1.0, 2.0, 5.0, 10.0)
HOURS = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336)


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from [low, high] to [start, end]."""

    low: float
    high: float
    start: float
    end: float

    def place(self, value: float) -> float:
        """Where a value stands; outside of the scale it stands at its edge."""
        held = min(max(value, self.low), self.high)
        return self.start + (held - self.low) / (self.high - self.low) * (self.end - self.start)


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Round values between two, about so many."""
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one * power for one in STEPS if one * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def upward(high: float, start: float, end: float) -> Scale:
    """From 0 to some way above `high`, so that the highest figure has its room."""
    return Scale(0.0, max(high, 1.0) * 1.2, start, end)


@dataclass(frozen=True, slots=True)
class TimeScale:
    """Instants to places, by elapsed time: an hour is as long when the clocks change."""

    first: datetime
    last: datetime
    start: float
    end: float

    def place(self, at: datetime) -> float:
        """Where an instant stands; outside of the scale at its edge."""
        held = min(max(at, self.first), self.last)
        return self.start + (held - self.first) / (self.last - self.first) * (self.end - self.start)

    def midnights(self, zone: ZoneInfo, most: int = 9) -> list[datetime]:
        """Beginnings of days in the zone, every so many days that they stay legible."""
        day = (self.first.astimezone(zone) + timedelta(days=1)).replace(hour=0, minute=0, second=0, microsecond=0)
        days = max(1, math.ceil((self.last - self.first) / timedelta(days=1) / most))
        found = []
        while day <= self.last:
            found.append(day)
            day = day + timedelta(days=days)  # wall clock of the zone: midnight stays midnight over a change
        return found


def roomy(first: datetime, last: datetime, start: float, end: float, shortest: timedelta) -> TimeScale:
    """A scale over both instants with a little room at either end; at least so long."""
    last = max(last, first + shortest)
    room = (last - first) * 0.03
    early = first - room if first.year > 1 else first  # the calendar begins with the year 1
    return TimeScale(early, last + room, start, end)
