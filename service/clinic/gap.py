"""The gap between the margins: profile, area, closure fractions, parallelism.

Lengths are decimals in mm, areas in cm2; a profile is a sequence of (station_mm, gap_mm), rising by station.
The plain functions stand first; `gap_metrics` puts them together for one reading.
"""

from bisect import bisect_left
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from itertools import pairwise

from msgspec import Struct

PI = Decimal("3.141592653589793238462643383280")
NEAR_MM = Decimal(10)  # as near as this to an outermost station, a station counts as measured over
MIDDLE_FROM, MIDDLE_TO = Decimal("0.2"), Decimal("0.8")  # the middle 60 % of the length
PROFILE, ELLIPSE_ESTIMATE = "profile", "ellipse-estimate"
STATIONS_FOR_PROFILE = 3
ZERO = Decimal(0)

STATIONS_DIFFER = "stations-differ"
BASELINE_CLOSED = "baseline-closed"  # the first reading was 0, so no fraction of it exists

Profile = Sequence[tuple[Decimal, Decimal]]


class GapMetrics(Struct, frozen=True):
    """Everything that one gap reading says; an absent value is `None`, closure fractions with their reason."""

    entry_id: str
    at: datetime
    readings: tuple[tuple[Decimal, Decimal], ...]  # (station_mm, gap_mm), by station
    max_gap_mm: Decimal
    min_gap_mm: Decimal
    widest_station_mm: Decimal
    mean_gap_mm: Decimal
    open_area_cm2: Decimal
    area_method: str  # profile | ellipse-estimate
    comparable: bool
    closure_fraction: Decimal | None
    area_closure_fraction: Decimal | None
    closure_fraction_of_widest: Decimal | None
    closure_absent_reason: str | None
    parallelism: Decimal | None
    rebound_mm: Decimal | None


class Baseline(Struct, frozen=True):
    """What the first gap reading of a course leaves for the later ones to be compared with."""

    max_gap_mm: Decimal
    widest_station_mm: Decimal
    open_area_cm2: Decimal
    area_method: str


def position(station_mm: Decimal, length_mm: Decimal) -> Decimal:
    """Place along the wound, ξ = 2 x station / length - 1: -1 and +1 at its ends, 0 in its middle, no unit."""
    return 2 * station_mm / length_mm - 1


def closed_profile(readings: Profile, length_mm: Decimal) -> list[tuple[Decimal, Decimal]]:
    """The measured stations with the wound's ends at 0 added, unless an end was itself measured."""
    whole = list(readings)
    if whole[0][0] > 0:
        whole.insert(0, (ZERO, ZERO))
    if whole[-1][0] < length_mm:
        whole.append((length_mm, ZERO))
    return whole


def ellipse_gap(station_mm: Decimal, max_gap_mm: Decimal, length_mm: Decimal) -> Decimal:
    """Gap in mm at a station of an ellipse: max_gap x sqrt(1 - ξ²); 0 at the ends (and outside of them)."""
    xi = position(station_mm, length_mm)
    return max_gap_mm * max(ZERO, 1 - xi * xi).sqrt()


def gap_at(station_mm: Decimal, readings: Profile, length_mm: Decimal) -> Decimal:
    """Gap in mm at any station of the wound.

    With 3 or more measured stations linear between them, and beyond the outermost linear to 0 at the wound's end;
    with 1 or 2 the same ellipse as the area estimate. `readings` must not be empty (ValueError).
    """
    if not readings:
        raise ValueError("no gap was measured")
    if len(readings) < STATIONS_FOR_PROFILE:
        return ellipse_gap(station_mm, max(gap for _, gap in readings), length_mm)
    whole = closed_profile(readings, length_mm)
    right = bisect_left(whole, station_mm, key=lambda reading: reading[0])
    if right == len(whole):
        return ZERO
    (x1, w1) = whole[right]
    if x1 == station_mm or right == 0:
        return w1
    (x0, w0) = whole[right - 1]
    return w0 + (w1 - w0) * (station_mm - x0) / (x1 - x0)


def trapezoid(readings: Profile) -> Decimal:
    """Area under the given points in mm²: Σ (x₁ - x₀)(w₀ + w₁)/2. Always low for a convex profile (G2, G4)."""
    return sum(((x1 - x0) * (w0 + w1) for (x0, w0), (x1, w1) in pairwise(readings)), ZERO) / 2


def ellipse_area_cm2(length_mm: Decimal, max_gap_mm: Decimal) -> Decimal:
    """π/4 x length x largest gap in cm², the estimate from two lengths (G7)."""
    return PI * length_mm * max_gap_mm / 400


def open_area_cm2(readings: Profile, length_mm: Decimal) -> tuple[Decimal, str]:
    """Open area in cm² and the method: `profile` (trapezoid, 3 or more stations) or `ellipse-estimate`.

    Two readings of one wound are compared by area only when both used the same method.
    """
    if len(readings) >= STATIONS_FOR_PROFILE:
        return trapezoid(closed_profile(readings, length_mm)) / 100, PROFILE
    return ellipse_area_cm2(length_mm, max(gap for _, gap in readings)), ELLIPSE_ESTIMATE


def widest_station(readings: Profile, length_mm: Decimal) -> Decimal:
    """Station in mm of the largest gap; of equals the most central, of equally central ones the first."""
    largest = max(gap for _, gap in readings)
    return min((s for s, gap in readings if gap == largest), key=lambda s: (abs(2 * s - length_mm), s))


def closure_fraction(baseline: Decimal, now: Decimal) -> Decimal | None:
    """1 - now / baseline, no unit (G10, G11). Negative when wider than at first: never clipped.

    Works on lengths and on areas alike. `None` when the baseline is 0: nothing was open to be closed.
    """
    return None if baseline == 0 else 1 - now / baseline


def parallelism(readings: Profile, length_mm: Decimal) -> Decimal | None:
    """Smallest over largest gap among the stations of the middle 60 % of the length, 0 to 1, no unit.

    1 when all of them are 0; `None` with fewer than two stations there. An ellipse has 0.8, a parabola 0.64.
    """
    middle = [gap for s, gap in readings if MIDDLE_FROM * length_mm <= s <= MIDDLE_TO * length_mm]
    if len(middle) < 2:
        return None
    return min(middle) / max(middle) if max(middle) else Decimal(1)


def is_comparable(stations_mm: Sequence[Decimal], baseline_widest_mm: Decimal) -> bool:
    """Whether a reading saw the place that was widest at first: between its outermost stations or within 10 mm."""
    return min(stations_mm) - NEAR_MM <= baseline_widest_mm <= max(stations_mm) + NEAR_MM


def by_station(readings: Profile) -> tuple[tuple[Decimal, Decimal], ...]:
    """The readings in order of their stations, as every function here expects them."""
    return tuple(sorted(readings))


def baseline_of(readings: Profile, length_mm: Decimal) -> Baseline:
    """What the first reading of a course leaves for the later ones."""
    area, method = open_area_cm2(readings, length_mm)
    return Baseline(max(gap for _, gap in readings), widest_station(readings, length_mm), area, method)


def gap_metrics(
    entry_id: str,
    at: datetime,
    readings: Profile,
    length_mm: Decimal,
    baseline: Baseline | None = None,
    widest_so_far_mm: Decimal = ZERO,
    rebound_mm: Decimal | None = None,
) -> GapMetrics:
    """All metrics of one gap reading.

    `baseline` is that of the course's first gap reading, `None` when this is the first. `widest_so_far_mm` is the
    largest max gap of the comparable readings before this one. `rebound_mm` comes from `rate.GapSeries`. A reading
    that is not comparable keeps its own metrics and has no closure fractions (`stations-differ`).
    """
    profile = by_station(readings)
    own = baseline_of(profile, length_mm)
    first = baseline or own
    comparable = is_comparable([s for s, _ in profile], first.widest_station_mm)
    same_method = own.area_method == first.area_method
    fraction = closure_fraction(first.max_gap_mm, own.max_gap_mm) if comparable else None
    by_area = closure_fraction(first.open_area_cm2, own.open_area_cm2) if comparable and same_method else None
    of_widest = closure_fraction(max(widest_so_far_mm, own.max_gap_mm, first.max_gap_mm), own.max_gap_mm)
    return GapMetrics(
        entry_id=entry_id,
        at=at,
        readings=profile,
        max_gap_mm=own.max_gap_mm,
        min_gap_mm=min(gap for _, gap in profile),
        widest_station_mm=own.widest_station_mm,
        mean_gap_mm=own.open_area_cm2 * 100 / length_mm,
        open_area_cm2=own.open_area_cm2,
        area_method=own.area_method,
        comparable=comparable,
        closure_fraction=fraction,
        area_closure_fraction=by_area,
        closure_fraction_of_widest=of_widest if comparable else None,
        closure_absent_reason=_why_no_fraction(comparable, fraction),
        parallelism=parallelism(profile, length_mm),
        rebound_mm=rebound_mm if comparable else None,
    )


def _why_no_fraction(comparable: bool, fraction: Decimal | None) -> str | None:
    if not comparable:
        return STATIONS_DIFFER
    return BASELINE_CLOSED if fraction is None else None
