"""The plan before installation: anchors, bands, lengths to cut and targets from two lengths of the wound.

A proposal to be checked at the wound by the treating surgeon; the limits are those of the policy, most of them common
practice without a published source.
"""

from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal

from service.clinic.bands import span_mm
from service.clinic.force import BenchTable
from service.clinic.gap import ellipse_gap, position
from service.clinic.policy import USUAL_REST_MARK_MM, Policy
from service.clinic.targets import order_of_work, target_mark_mm, target_range, target_share, target_stretch

MAX_BANDS = 100  # as many as the intake takes


@dataclass(frozen=True, slots=True)
class PlannedBand:
    """One band to be put in, numbered from the reference end; `order` is its turn, from the middle outwards."""

    band: int
    station_mm: Decimal
    gap_mm: Decimal  # by the ellipse of length and largest gap
    span_mm: Decimal
    target_stretch_ratio: Decimal
    target_mark_mm: Decimal
    cut_length_mm: Decimal
    order: int


@dataclass(frozen=True, slots=True)
class LayoutPlan:
    """Anchors and bands for a wound that has not been fitted yet."""

    length_mm: Decimal
    max_gap_mm: Decimal
    rest_mark_mm: Decimal
    anchor_interval_mm: Decimal
    anchors_per_side: int
    setback_mm: Decimal
    undermining_max_mm: Decimal
    bands: tuple[PlannedBand, ...]

    @property
    def anchors(self) -> int:
        """Anchors of both sides together."""
        return 2 * self.anchors_per_side

    @property
    def band_material_mm(self) -> Decimal:
        """Length of all bands to be cut, together."""
        return sum((band.cut_length_mm for band in self.bands), Decimal(0))


def anchors_per_side(length_mm: Decimal, interval_mm: Decimal) -> int:
    """floor(length / interval) + 1: one at least, however short the wound."""
    return int((length_mm / interval_mm).to_integral_value(ROUND_FLOOR)) + 1


def anchor_stations(length_mm: Decimal, interval_mm: Decimal) -> list[Decimal]:
    """Stations of the anchors in mm, one interval apart and centred on the wound's length."""
    count = anchors_per_side(length_mm, interval_mm)
    first = (length_mm - (count - 1) * interval_mm) / 2
    return [first + i * interval_mm for i in range(count)]


def cut_length_mm(span: Decimal, target: Decimal, tail_mm: Decimal) -> Decimal:
    """Unstretched length of band to cut: span / target stretch + a free tail at either end."""
    return span / target + 2 * tail_mm


def layout_plan(
    length_mm: Decimal,
    max_gap_mm: Decimal,
    policy: Policy,
    rest_mark_mm: Decimal = USUAL_REST_MARK_MM,
    bench: BenchTable | None = None,
) -> LayoutPlan:
    """The plan for a wound of a length and largest gap, mm; bands at every pair of anchors.

    Setback is the middle of the policy's range; gaps along the wound follow the ellipse of the two lengths. Raises
    ValueError for lengths that are not positive (a gap may be 0) and for more bands than an installation can chart.
    """
    if length_mm <= 0 or rest_mark_mm <= 0 or max_gap_mm < 0:
        raise ValueError("length and rest mark must be above 0, the largest gap not below")
    if anchors_per_side(length_mm, policy.anchor_interval_mm) > MAX_BANDS:
        raise ValueError(f"more than {MAX_BANDS} bands; choose a wider anchor interval or plan the wound in parts")
    setback = (policy.setback_min_mm + policy.setback_max_mm) / 2
    stations = anchor_stations(length_mm, policy.anchor_interval_mm)
    return LayoutPlan(
        length_mm=length_mm,
        max_gap_mm=max_gap_mm,
        rest_mark_mm=rest_mark_mm,
        anchor_interval_mm=policy.anchor_interval_mm,
        anchors_per_side=len(stations),
        setback_mm=setback,
        undermining_max_mm=policy.undermining_max_mm,
        bands=_planned_bands(stations, length_mm, max_gap_mm, setback, rest_mark_mm, policy, bench),
    )


def _planned_bands(
    stations: list[Decimal],
    length_mm: Decimal,
    max_gap_mm: Decimal,
    setback: Decimal,
    rest_mark_mm: Decimal,
    policy: Policy,
    bench: BenchTable | None,
) -> tuple[PlannedBand, ...]:
    gaps = [ellipse_gap(station, max_gap_mm, length_mm) for station in stations]
    low, high = target_range(rest_mark_mm, policy)
    planned = []
    for number, (station, gap, order) in enumerate(
        zip(stations, gaps, order_of_work(stations, length_mm), strict=True), start=1
    ):
        share = target_share(position(station, length_mm), gap, max(gaps), min(gaps))
        target = target_stretch(low, high, share, bench)
        span = span_mm(gap, setback)
        mark = target_mark_mm(target, rest_mark_mm, policy)
        cut = cut_length_mm(span, target, policy.tail_min_mm)
        planned.append(PlannedBand(number, station, gap, span, target, mark, cut, order))
    return tuple(planned)
