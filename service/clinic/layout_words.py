"""A layout plan in words and as plain values, with what has to be looked at before anybody acts on it."""

from decimal import ROUND_CEILING, Decimal
from typing import Any

from service.clinic.caution import CAUTION
from service.clinic.findings import as_read, shown
from service.clinic.force import BenchTable
from service.clinic.layout import LayoutPlan, PlannedBand
from service.clinic.policy import Policy
from service.clinic.quantities import present

CENTIMETRE = Decimal(10)


def plan_view(plan: LayoutPlan, policy: Policy, bench: BenchTable | None = None) -> dict[str, Any]:
    """The plan with the names of the glossary; lengths as given keep their digits, derived ones go through `present`.

    Pure data for JSON: the sheet, the terminal and the HTTP answer show these values and no others.
    """
    view: dict[str, Any] = {
        "length_mm": plan.length_mm,
        "max_gap_mm": plan.max_gap_mm,
        "rest_mark_mm": plan.rest_mark_mm,
        "anchor_interval_mm": plan.anchor_interval_mm,
        "setback_mm": plan.setback_mm,
        "undermining_max_mm": plan.undermining_max_mm,
        "tail_min_mm": plan.tail_min_mm,
        "anchors_per_side": plan.anchors_per_side,
        "anchors": plan.anchors,
        "anchor_stations_mm": [present(band.station_mm) for band in plan.bands],
        "bands": [_band(band) for band in plan.bands],
        "band_material_mm": present(plan.band_material_mm),
        "text": plan_sentence(plan),
        "cautions": list(plan_cautions(plan, policy, bench)),
        "caution": CAUTION,
        "policy": {"name": policy.name, "version": policy.version},
    }
    return view if bench is None else view | {"bench_table": {"name": bench.name, "version": bench.version}}


def _band(band: PlannedBand) -> dict[str, Any]:
    return {
        "band": band.band,
        "station_mm": present(band.station_mm),
        "gap_mm": present(band.gap_mm),
        "span_mm": present(band.span_mm),
        "target_stretch_ratio": present(band.target_stretch_ratio),
        "target_mark_mm": present(band.target_mark_mm),
        "cut_length_mm": present(band.cut_length_mm),
        "order": band.order,
        "text": band_plan_sentence(band),
    }


def plan_sentence(plan: LayoutPlan) -> str:
    """The whole plan in one sentence."""
    first, last = plan.bands[0], plan.bands[-1]
    where = f"{shown(first.station_mm)} to {shown(last.station_mm)} mm"
    if first is last:
        where = f"{shown(first.station_mm)} mm"
    return (
        f"Proposed for a wound {as_read(plan.length_mm)} mm long and {as_read(plan.max_gap_mm)} mm wide: "
        f"{plan.anchors_per_side} anchors a side ({plan.anchors} in all) at stations {where}, "
        f"{as_read(plan.anchor_interval_mm)} mm apart, set back {shown(plan.setback_mm)} mm from the margin, "
        f"and {len(plan.bands)} bands from {_metres_to_cut(plan)} of band."
    )


def band_plan_sentence(band: PlannedBand) -> str:
    """One band of the plan in one sentence."""
    return (
        f"Band {band.band} at station {shown(band.station_mm)} mm: to cut {rounded_up(band.cut_length_mm)} mm, "
        f"target stretch ratio {shown(band.target_stretch_ratio)}, to the half millimetre a mark of "
        f"{shown(band.target_mark_mm)} mm."
    )


def to_cut(length_mm: Decimal) -> Decimal:
    """A length to be cut, to the next whole millimetre: too short cannot be mended, too long can."""
    return length_mm.to_integral_value(ROUND_CEILING)


def rounded_up(length_mm: Decimal) -> str:
    """The same in words."""
    return f"{to_cut(length_mm):f}"


def _metres_to_cut(plan: LayoutPlan) -> str:
    """All bands as they are cut, in metres, rounded up to the centimetre."""
    total = sum((to_cut(band.cut_length_mm) for band in plan.bands), Decimal(0))
    return f"{(total / CENTIMETRE).to_integral_value(ROUND_CEILING) / 100:.2f} m"


def plan_cautions(plan: LayoutPlan, policy: Policy, bench: BenchTable | None = None) -> list[str]:
    """What has to be looked at: first where the plan leaves the policy, then what holds for every plan."""
    found = []
    if plan.anchor_interval_mm > policy.anchor_interval_mm:
        limit = as_read(policy.anchor_interval_mm)
        found.append(
            f"The anchor interval of {as_read(plan.anchor_interval_mm)} mm is larger than the policy's {limit} mm."
        )
    if not policy.setback_min_mm <= plan.setback_mm <= policy.setback_max_mm:
        limits = f"{as_read(policy.setback_min_mm)} to {as_read(policy.setback_max_mm)} mm"
        found.append(f"The setback of {shown(plan.setback_mm)} mm lies outside of the policy's {limits}.")
    found += [
        "Only the length and the largest gap were measured; the gaps between follow an ellipse and are measured "
        "again at the wound before anything is cut.",
        f"Skin is undermined by at most {as_read(policy.undermining_max_mm)} mm (common practice, no source).",
        f"The stretch ratio stays between {as_read(policy.stretch_low)} and {as_read(policy.stretch_high)}; "
        "every mark is read again after setting.",
        f"Cut lengths leave a tail of {as_read(plan.tail_min_mm)} mm at either end.",
        "Anchors, bands and dressings are counted in and charted.",
    ]
    if bench is not None:
        found.append(f"Targets follow the force of the bench table {bench.name}; newtons hold for that band only.")
    return found
