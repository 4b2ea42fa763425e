"""The plan before installation: anchors, bands, lengths to cut and targets from two lengths of the wound.

A proposal to be checked at the wound by the treating surgeon; the limits are those of the policy, most of them common
practice without a published source.
"""

from decimal import ROUND_FLOOR, Decimal
from typing import Annotated

from msgspec import Struct
from msgspec.structs import fields

from service.clinic.bands import span_mm
from service.clinic.force import BenchTable
from service.clinic.gap import ellipse_gap, position
from service.clinic.policy import USUAL_REST_MARK_MM, Policy
from service.clinic.targets import order_of_work, target_mark_mm, target_range, target_share, target_stretch
from service.clinic.values import Between, Number

MAX_BANDS = 100  # as many as the intake takes


class WoundToFit(Struct, frozen=True):
    """What is asked before an installation: two lengths of the wound, and what the site wants otherwise, in mm.

    Bounds are those of the intake contract for the same names. Without `anchor_interval_mm` and `setback_mm` those of
    the policy serve.
    """

    length_mm: Annotated[Number, Between(10, 1000)]
    max_gap_mm: Annotated[Number, Between(0, 400)]
    rest_mark_mm: Annotated[Number, Between(2, 50)] = USUAL_REST_MARK_MM
    anchor_interval_mm: Annotated[Number, Between(5, 30)] | None = None
    setback_mm: Annotated[Number, Between(5, 30)] | None = None


WOUND_MEMBERS = {member.name: member.required for member in fields(WoundToFit)}  # name -> must be told


class PlannedBand(Struct, frozen=True):
    """One band to be put in, numbered from the reference end; `order` is its turn, from the middle outwards."""

    band: int
    station_mm: Decimal
    gap_mm: Decimal  # by the ellipse of length and largest gap
    span_mm: Decimal
    target_stretch_ratio: Decimal
    target_mark_mm: Decimal
    cut_length_mm: Decimal
    order: int


class LayoutPlan(Struct, frozen=True):
    """Anchors and bands for a wound that has not been fitted yet."""

    length_mm: Decimal
    max_gap_mm: Decimal
    rest_mark_mm: Decimal
    anchor_interval_mm: Decimal
    anchors_per_side: int
    setback_mm: Decimal
    undermining_max_mm: Decimal
    tail_min_mm: Decimal
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


def too_many_bands(length_mm: Decimal, interval_mm: Decimal) -> str | None:
    """Why a wound cannot be planned in one piece; None where it can."""
    if anchors_per_side(length_mm, interval_mm) <= MAX_BANDS:
        return None
    return f"gives more than {MAX_BANDS} bands; choose a wider anchor interval or plan the wound in parts"


def layout_plan(
    length_mm: Decimal,
    max_gap_mm: Decimal,
    policy: Policy,
    rest_mark_mm: Decimal = USUAL_REST_MARK_MM,
    bench: BenchTable | None = None,
    anchor_interval_mm: Decimal | None = None,
    setback_mm: Decimal | None = None,
) -> LayoutPlan:
    """The plan for a wound of a length and largest gap, mm; bands at every pair of anchors.

    Unless given, the interval is the policy's and the setback the middle of its range; gaps along the wound follow the
    ellipse of the two lengths. Raises ValueError for lengths that are not positive (a gap may be 0) and for more bands
    than an installation can chart.
    """
    interval = policy.anchor_interval_mm if anchor_interval_mm is None else anchor_interval_mm
    setback = (policy.setback_min_mm + policy.setback_max_mm) / 2 if setback_mm is None else setback_mm
    if min(length_mm, rest_mark_mm, interval, setback) <= 0 or max_gap_mm < 0:
        raise ValueError("lengths, interval, setback and rest mark must be above 0, the largest gap not below")
    if why := too_many_bands(length_mm, interval):
        raise ValueError(why)
    stations = anchor_stations(length_mm, interval)
    return LayoutPlan(
        length_mm=length_mm,
        max_gap_mm=max_gap_mm,
        rest_mark_mm=rest_mark_mm,
        anchor_interval_mm=interval,
        anchors_per_side=len(stations),
        setback_mm=setback,
        undermining_max_mm=policy.undermining_max_mm,
        tail_min_mm=policy.tail_min_mm,
        bands=_planned_bands(stations, length_mm, max_gap_mm, setback, rest_mark_mm, policy, bench),
    )


def plan_for(wound: WoundToFit, policy: Policy, bench: BenchTable | None = None) -> LayoutPlan:
    """The plan for what was asked; raises ValueError for more bands than an installation can chart."""
    return layout_plan(
        wound.length_mm,
        wound.max_gap_mm,
        policy,
        wound.rest_mark_mm,
        bench,
        wound.anchor_interval_mm,
        wound.setback_mm,
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
