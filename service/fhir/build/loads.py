"""What the bands carry, as Observations (http://hl7.org/fhir/R4/observation.html): relative force, share in range."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from service.clinic import force
from service.clinic.bands import IN_RANGE, BandState, band_condition, stretch_ratio
from service.clinic.quantities import present
from service.fhir.build.charting import Charting
from service.fhir.build.context import SHARE
from service.fhir.build.derived import absent, measure
from service.fhir.build.identity import Built
from service.fhir.build.installed import BandParts
from service.fhir.build.observation import named, unnamed
from service.fhir.build.readings import LATER, bands_expected
from service.fhir.build.values import digits, percent

Tree = dict[str, Any]


def _relative_force(
    charting: Charting, pattern: Tree, parts: BandParts, mark_mm: Decimal, newtons: list[Tree]
) -> Built:
    """Force of a band as a share of its force at stretch 2.0, with the range over three laws; at most this much."""
    number = parts.band.band
    shown = parts.force[str(mark_mm)]
    built = pattern.copy()
    built["valueQuantity"] = shown.share
    built["device"] = parts.device
    built["derivedFrom"] = [charting.names.reference("Observation", f"band-stretch/{number}")]
    built["component"] = [*shown.components, *newtons] if newtons else shown.components
    written = None if newtons else shown.written
    return named(charting, f"relative-band-force/{number}", f"Band {number}: {shown.sentence}", built, written)


def _newtons(charting: Charting, state: BandState | None) -> list[Tree]:
    """Force by the site's bench table; none without a table, the reason where the table does not reach."""
    if state is None:
        return []
    if state.force_n is not None:
        return [charting.frame.component("band-force", present(state.force_n), "newton")]
    frame = charting.frame
    why = frame.terms.absent(state.force_absent_reason or force.OUTSIDE_CALIBRATION)
    return [{"code": frame.concepts["band-force"], "dataAbsentReason": why}]


def band_forces(charting: Charting, states: Sequence[BandState] = ()) -> list[Built]:
    """Relative force of every band that the entry read; newtons where the site has a bench table."""
    if charting.bands is None:
        return []
    own = charting.names.entry_id
    with_table = {s.band: s for s in states if s.force_absent_reason != force.NO_BENCH_TABLE and s.read_by == own}
    by_number, frame = charting.bands.by_number, charting.frame
    pattern = unnamed(
        charting,
        "derived-measure",
        frame.concepts["relative-band-force"],
        value={"valueQuantity": LATER},
        method=frame.methods["relative-band-force"],
        device=LATER,
        derived_from=[LATER],
        components=[LATER],
    )
    return [
        _relative_force(charting, pattern, by_number[number], mark, _newtons(charting, with_table.get(number)))
        for number, (mark, _) in charting.marks.items()
        if number in by_number
    ]


def share_in_range(charting: Charting, share: Decimal | None) -> list[Built]:
    """Share of the bands in working range as of the entry; none where there is no band to read."""
    if charting.bands is None:
        return []
    numbers = [*charting.marks, *(number for number in bands_expected(charting) if number not in charting.marks)]
    if not numbers:
        return []
    stretches = [charting.names.reference("Observation", f"band-stretch/{number}") for number in numbers]
    if share is None:
        return [absent(charting, SHARE, "bands-not-read", stretches)]
    shown = percent(share)
    value = {"valueQuantity": charting.frame.quantity(shown, "percent")}
    return [measure(charting, SHARE, value, f"{digits(shown)} %", stretches)]


def share_of_content(charting: Charting) -> Decimal | None:
    """Share in range over the bands that this content read; None where it read none."""
    if charting.bands is None:
        return None
    by_number, policy = charting.bands.by_number, charting.frame.policy
    states = [
        band_condition(stretch_ratio(mark, by_number[number].band.rest_mark_mm), policy)
        for number, (mark, _) in charting.marks.items()
        if number in by_number
    ]
    return Decimal(states.count(IN_RANGE)) / len(states) if states else None
