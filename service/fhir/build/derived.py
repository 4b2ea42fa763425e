"""What is computed from readings as Observations (http://hl7.org/fhir/R4/observation.html).

Every figure comes from `service.clinic` and leaves as `present` shows it, lengths and rates with the decimal point
moved to cm. `method` names the formula, its version and the policy; `derivedFrom` what it was computed from.
"""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Literal

from service.clinic import perfusion
from service.clinic.entries import Check
from service.clinic.forecast import Forecast
from service.clinic.gap import GapMetrics
from service.clinic.quantities import present
from service.clinic.rate import ClosureRate
from service.clinic.summary import Summary
from service.fhir.build.charting import Charting
from service.fhir.build.context import GAP_MEASURES, PERFUSION
from service.fhir.build.identity import Built
from service.fhir.build.observation import named, reference_to, unnamed
from service.fhir.build.values import cm, computed_time_text, digits, percent, words

Tree = dict[str, Any]


def measure(
    charting: Charting, concept: str, value: Tree, words: str, derived_from: Sequence[Tree], **more: Any
) -> Built:
    """One derived Observation; its role is the key of its concept."""
    frame = charting.frame
    code = frame.concepts[concept]
    method = frame.methods[concept]
    built = unnamed(charting, "derived-measure", code, value=value, method=method, derived_from=derived_from, **more)
    return named(charting, concept, f"{code['text']}: {words}.", built)


def not_measured(charting: Charting, reason: str, derived_from: Sequence[Tree]) -> list[Built]:
    """The gap measures of a check that measured no gaps: absent, with the charted reason."""
    frame = charting.frame
    why = {"dataAbsentReason": frame.terms.absent("gaps-not-measured", words(reason))}
    return [measure(charting, concept, why, f"not measured: {reason}", derived_from) for concept in GAP_MEASURES]


def gap_measures(
    charting: Charting, gap: GapMetrics, summary: Summary, stations: Sequence[Tree], baseline: Tree | None
) -> list[Built]:
    """All measures of one gap reading: from its gap widths at the stations, and the widest gap of the baseline."""
    widest = widest_gap(charting, gap, stations)
    from_widest = [reference_to(widest)]
    from_both = from_widest if baseline is None or baseline in from_widest else [*from_widest, baseline]
    area = open_area(charting, gap, stations)
    return [
        widest,
        area,
        fraction(charting, "gap-closed-percent", gap.closure_fraction, gap.closure_absent_reason, from_both),
        fraction(
            charting,
            "area-closed-percent",
            gap.area_closure_fraction,
            gap.closure_absent_reason or "methods-differ",
            [reference_to(area)],
        ),
        closure_rate(charting, summary.rate, from_widest),
        parallelism(charting, gap, stations),
        forecast(charting, summary.forecast, from_widest),
    ]


def widest_gap(charting: Charting, gap: GapMetrics, stations: Sequence[Tree]) -> Built:
    """Widest gap in cm, with the station it lies at."""
    width, station = cm(gap.max_gap_mm), cm(gap.widest_station_mm)
    return measure(
        charting,
        "widest-gap",
        {"valueQuantity": charting.frame.quantity(width, "cm")},
        f"{digits(width)} cm at {digits(station)} cm",
        stations,
        components=[charting.frame.component("station", station, "cm")],
    )


def open_area(charting: Charting, gap: GapMetrics, stations: Sequence[Tree]) -> Built:
    """Open area in cm2; the note says which of the two methods of the formula was used."""
    area = present(gap.open_area_cm2)
    return measure(
        charting,
        "open-area",
        {"valueQuantity": charting.frame.quantity(area, "cm2")},
        f"{digits(area)} cm2 ({gap.area_method})",
        stations,
        note=f"method: {gap.area_method}",
    )


def fraction(
    charting: Charting, concept: str, value: Decimal | None, reason: str | None, derived_from: Sequence[Tree]
) -> Built:
    """A share of the baseline in percent; negative where the gap has grown."""
    frame = charting.frame
    if value is None:
        return absent(charting, concept, reason or "unknown", derived_from)
    shown = percent(value)
    return measure(
        charting, concept, {"valueQuantity": frame.quantity(shown, "percent")}, f"{digits(shown)} %", derived_from
    )


def absent(charting: Charting, concept: str, reason: str, derived_from: Sequence[Tree], **more: Any) -> Built:
    """A measure that could not be computed, with the reason."""
    why = charting.frame.terms.absent(reason)
    return measure(charting, concept, {"dataAbsentReason": why}, f"none, {why['text']}", derived_from, **more)


def closure_rate(charting: Charting, rate: ClosureRate, derived_from: Sequence[Tree]) -> Built:
    """Closure rate in cm/d, positive = closing, with its 95 % limits where there are enough readings."""
    if rate.mm_per_day is None:
        return absent(charting, "gap-closure-rate", rate.absent_reason or "too-few-readings", derived_from)
    shown = cm(present(rate.mm_per_day))
    limits = [_rate_limit(charting, side, rate) for side in ("low", "high")]
    return measure(
        charting,
        "gap-closure-rate",
        {"valueQuantity": charting.frame.quantity(shown, "cm-per-day")},
        f"{digits(shown)} cm/d over {rate.readings} readings",
        derived_from,
        components=limits,
    )


def _rate_limit(charting: Charting, side: Literal["low", "high"], rate: ClosureRate) -> Tree:
    concept = f"gap-closure-rate-{side}"
    limit = rate.low if side == "low" else rate.high
    if limit is not None:
        return charting.frame.component(concept, cm(present(limit)), "cm-per-day")
    frame = charting.frame
    return {
        "code": frame.concepts[concept],
        "dataAbsentReason": frame.terms.absent(rate.interval_absent_reason or "fewer-than-5-readings"),
    }


def parallelism(charting: Charting, gap: GapMetrics, stations: Sequence[Tree]) -> Built:
    """Smallest / largest gap in the middle of the wound, no unit."""
    if gap.parallelism is None:
        return absent(charting, "gap-parallelism", "too-few-stations", stations)
    shown = present(gap.parallelism)
    value = {"valueQuantity": charting.frame.quantity(shown, "ratio")}
    return measure(charting, "gap-parallelism", value, digits(shown), stations)


def forecast(charting: Charting, model: Forecast, derived_from: Sequence[Tree]) -> Built:
    """When the gap is expected to be closable: median, 5 and 95 % limits, probabilities; an estimate, no promise."""
    parts = _probabilities(charting, model)
    if model.closable_at_median is None:
        reason = model.absent_reason or "beyond-horizon"
        return absent(charting, "closable-forecast", reason, derived_from, components=parts)
    median = computed_time_text(model.closable_at_median)
    early = _limit(charting, "closable-p05", model.closable_at_p05)
    late = _limit(charting, "closable-p95", model.closable_at_p95)
    return measure(
        charting,
        "closable-forecast",
        {"valueDateTime": median},
        f"expected at {median}, an estimate that the treating surgeon weighs",
        derived_from,
        components=[early, late, *parts],
    )


def _limit(charting: Charting, concept: str, moment: datetime | None) -> Tree:
    frame = charting.frame
    if moment is None:
        return {"code": frame.concepts[concept], "dataAbsentReason": frame.terms.absent("beyond-horizon")}
    return {"code": frame.concepts[concept], "valueDateTime": computed_time_text(moment)}


def _probabilities(charting: Charting, model: Forecast) -> list[Tree]:
    listed = ((24, model.p_closable_24h), (48, model.p_closable_48h), (72, model.p_closable_72h))
    return [
        charting.frame.component(f"closable-within-{hours}h", present(probability), "ratio")
        for hours, probability in listed
        if probability is not None
    ]


def perfusion_difference(charting: Charting) -> list[Built]:
    """Diastolic minus compartment pressure of one check in mm[Hg], low when under the limit of the policy."""
    check = charting.content
    if not isinstance(check, Check):
        return []
    difference = perfusion.perfusion_difference_mmhg(check.diastolic_pressure_mmhg, check.compartment_pressure_mmhg)
    if difference is None:
        return []
    frame = charting.frame
    limit, low = frame.policy.perfusion_min_mmhg, perfusion.is_low(difference, frame.policy)
    return [
        measure(
            charting,
            PERFUSION,
            {"valueQuantity": frame.quantity(difference, "mm-hg")},
            f"{digits(difference)} mm[Hg], {'under' if low else 'at or over'} the limit of {digits(limit)} mm[Hg]; "
            "a number alone rules nothing out, the limb has to be looked at",
            [charting.names.reference("Observation", name) for name in ("diastolic-pressure", "compartment-pressure")],
            interpretation=frame.interpretations["L" if low else "N"],
            reference_range=[
                {"low": frame.quantity(limit, "mm-hg"), "type": frame.terms.hl7("reference-range", "recommended")}
            ],
        )
    ]
