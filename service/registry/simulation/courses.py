"""Drawing courses: when each check was, how wide the gap, how stretched each band, how it ended."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from service.registry.simulation.assumptions import FINDING_SHARES, FLAG_SHARES, RESULT_SHARES, Assumptions
from service.registry.simulation.molds import OPEN

__all__ = ["DrawnCourse", "SiteHabits", "Visit", "courses_of_site", "site_habits"]

_RESULTS = tuple(RESULT_SHARES)
_DAYS_OF_RECORD = 1000


@dataclass(frozen=True, slots=True)
class SiteHabits:
    """What makes one site differ from another."""

    closure_log_odds: float
    days_factor: float
    reset_interval: float


@dataclass(frozen=True, slots=True)
class Visit:
    """One check and the reset after it: days since the application, gap in cm, stretch before and after."""

    day: float
    gap: float
    before: tuple[float, ...]
    after: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class DrawnCourse:
    """One course as it was drawn; `starts` is the day of the record on which it begins."""

    starts: float
    born_year: int
    gap: float
    first_stretch: tuple[float, ...]
    visits: tuple[Visit, ...]
    result: str
    days: float
    findings: tuple[str, ...]
    flags: tuple[str, ...]


def site_habits(generator: Generator, assumptions: Assumptions) -> SiteHabits:
    """Habits of one site."""
    interval = generator.choice(assumptions.reset_intervals, p=assumptions.reset_interval_shares)
    return SiteHabits(
        float(generator.normal(0, assumptions.site_closure_sd)),
        float(np.exp(generator.normal(0, assumptions.site_days_sd))),
        float(interval),
    )


def courses_of_site(
    generator: Generator, habits: SiteHabits, count: int, assumptions: Assumptions
) -> Iterator[DrawnCourse]:
    """The courses of one site."""
    shares = _shares(habits)
    for result in generator.choice(_RESULTS, size=count, p=shares):
        yield _course(generator, habits, str(result), assumptions)


def _shares(habits: SiteHabits) -> list[float]:
    """Shares of the endings, primary closure moved by the site's log-odds, the others in proportion."""
    base = RESULT_SHARES["primary-closure"]
    odds = base / (1 - base) * np.exp(habits.closure_log_odds)
    closure = float(odds / (1 + odds))
    others = (1 - closure) / (1 - base)
    return [closure if name == "primary-closure" else share * others for name, share in RESULT_SHARES.items()]


def _course(generator: Generator, habits: SiteHabits, result: str, assumptions: Assumptions) -> DrawnCourse:
    length = float(np.clip(generator.normal(assumptions.length_mean, assumptions.length_sd), 5, 32))
    gap = float(np.clip(generator.normal(assumptions.gap_mean, assumptions.gap_sd), 1.5, 12))
    days = _days(generator, habits, result, gap, assumptions)
    is_open = generator.random() < assumptions.still_open
    bands = int(np.clip(round(length * assumptions.bands_per_cm), 2, 4))
    first = _settings(generator, bands, assumptions)
    visits = _visits(
        generator, habits, gap, days * (generator.random() if is_open else 1.0), first, result, assumptions
    )
    return DrawnCourse(
        starts=float(generator.uniform(0, _DAYS_OF_RECORD)),
        born_year=int(generator.integers(1935, 2006)),
        gap=gap,
        first_stretch=first,
        visits=visits,
        result=OPEN if is_open else result,
        days=days,
        findings=_drawn(generator, FINDING_SHARES),
        flags=_drawn(generator, FLAG_SHARES),
    )


def _days(generator: Generator, habits: SiteHabits, result: str, gap: float, assumptions: Assumptions) -> float:
    """Gamma-distributed; wider wounds take longer, with the square root of the gap (own assumption)."""
    closing = result == "primary-closure"
    mean = assumptions.closure_days_mean if closing else assumptions.other_days_mean
    sd = assumptions.closure_days_sd if closing else assumptions.other_days_sd
    drawn = generator.gamma((mean / sd) ** 2, sd * sd / mean)
    return float(max(1.0, drawn * habits.days_factor * np.sqrt(gap / assumptions.gap_mean)))


def _drawn(generator: Generator, shares: dict[str, float]) -> tuple[str, ...]:
    return tuple(
        name for name, chance in zip(shares, generator.random(len(shares)), strict=True) if chance < shares[name]
    )


def _settings(generator: Generator, bands: int, assumptions: Assumptions) -> tuple[float, ...]:
    drawn = generator.normal(assumptions.set_stretch_mean, assumptions.set_stretch_sd, bands)
    return tuple(_mark(value) for value in np.clip(drawn, 1.55, 1.95))


def _mark(stretch: float) -> float:
    """A stretch ratio as a mark of 10 mm at rest shows it on a ruler with half millimetres."""
    return round(stretch * 20) / 20


def _visits(
    generator: Generator, habits: SiteHabits, gap: float, days: float, first: tuple[float, ...], result: str,
    assumptions: Assumptions,
) -> tuple[Visit, ...]:  # fmt: skip
    """Checks at the site's interval. The gap falls in a line to the closable gap; where it does not close, halfway."""
    target = assumptions.closable_gap if result == "primary-closure" else gap / 2
    visits: list[Visit] = []
    setting, set_at = first, gap
    day = habits.reset_interval
    while day < days:
        swelling = (
            generator.exponential(assumptions.rebound_mean) if generator.random() < assumptions.rebound_chance else 0
        )
        width = gap + (target - gap) * day / days + swelling + generator.normal(0, assumptions.gap_error)
        width = max(0.2, float(width))
        span = (width + 2 * assumptions.setback) / (set_at + 2 * assumptions.setback)
        before = tuple(_mark(max(1.0, stretch * span)) for stretch in setting)
        setting, set_at = _settings(generator, len(first), assumptions), width
        visits.append(Visit(day, width, before, setting))
        day += habits.reset_interval * float(generator.uniform(0.9, 1.1))
    return tuple(visits)
