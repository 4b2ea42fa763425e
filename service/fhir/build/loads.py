"""What the bands carry, as Observations (http://hl7.org/fhir/R4/observation.html): relative force, share in range."""

from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Any

from service.clinic import force
from service.clinic.bands import IN_RANGE, BandState, band_condition, stretch_ratio
from service.clinic.entries import InstalledBand
from service.clinic.quantities import present
from service.fhir.build.context import Charting
from service.fhir.build.derived import absent, measure
from service.fhir.build.identity import Built
from service.fhir.build.observation import observation
from service.fhir.build.readings import bands_expected, component, marks_read
from service.fhir.build.values import digits, percent

Tree = dict[str, Any]
SHARE = "bands-in-range-share"


@lru_cache(maxsize=4096)  # marks lie on a half-millimetre grid, so the same few ratios come again and again
def force_figures(ratio: Decimal) -> tuple[Decimal, Decimal, Decimal]:
    """Relative force at a stretch ratio, with the smallest and largest over three laws, as they are shown."""
    stretch = float(ratio)
    low, high = force.relative_force_range(stretch)
    return present(force.relative_force(stretch)), present(low), present(high)


def relative_force(
    charting: Charting, band: InstalledBand, device: Tree, mark_mm: Decimal, state: BandState | None
) -> Built:
    """Force of a band as a share of its force at stretch 2.0, with the range over three laws; at most this much."""
    shown, low, high = force_figures(stretch_ratio(mark_mm, band.rest_mark_mm))
    parts = [
        component(charting, "relative-band-force-low", low, "ratio"),
        component(charting, "relative-band-force-high", high, "ratio"),
    ]
    parts += _newtons(charting, state)
    role = f"relative-band-force/{band.band}"
    return observation(
        charting,
        role,
        "derived-measure",
        charting.frame.terms.concept("relative-band-force"),
        f"Band {band.band}: at most {digits(shown)} of its force at a stretch ratio of 2.0.",
        value={"valueQuantity": charting.frame.terms.quantity(shown, "ratio")},
        method=charting.frame.methods["relative-band-force"],
        device=device,
        derived_from=[charting.names.reference("Observation", f"band-stretch/{band.band}")],
        components=parts,
    )


def _newtons(charting: Charting, state: BandState | None) -> list[Tree]:
    """Force by the site's bench table; none without a table, the reason where the table does not reach."""
    if state is None or state.force_absent_reason == force.NO_BENCH_TABLE:
        return []
    if state.force_n is not None:
        return [component(charting, "band-force", present(state.force_n), "newton")]
    terms = charting.frame.terms
    why = terms.absent(state.force_absent_reason or force.OUTSIDE_CALIBRATION)
    return [{"code": terms.concept("band-force"), "dataAbsentReason": why}]


def band_forces(charting: Charting, states: Sequence[BandState] = ()) -> list[Built]:
    """Relative force of every band that the entry read; newtons where the site has a bench table."""
    if charting.bands is None:
        return []
    read_here = {state.band: state for state in states if state.read_by == charting.names.entry_id}
    by_number = charting.bands.by_number
    return [
        relative_force(charting, *by_number[number], mark, read_here.get(number))
        for number, (mark, _) in marks_read(charting).items()
        if number in by_number
    ]


def share_in_range(charting: Charting, share: Decimal | None) -> list[Built]:
    """Share of the bands in working range as of the entry; none where there is no band to read."""
    if charting.bands is None:
        return []
    numbers = [*marks_read(charting), *(n for n in bands_expected(charting) if n not in marks_read(charting))]
    if not numbers:
        return []
    stretches = [charting.names.reference("Observation", f"band-stretch/{number}") for number in numbers]
    if share is None:
        return [absent(charting, SHARE, "bands-not-read", stretches)]
    shown = percent(share)
    value = {"valueQuantity": charting.frame.terms.quantity(shown, "percent")}
    return [measure(charting, SHARE, value, f"{digits(shown)} %", stretches)]


def share_of_content(charting: Charting) -> Decimal | None:
    """Share in range over the bands that this content read; None where it read none."""
    if charting.bands is None:
        return None
    by_number, policy = charting.bands.by_number, charting.frame.policy
    states = [
        band_condition(stretch_ratio(mark, by_number[number][0].rest_mark_mm), policy)
        for number, (mark, _) in marks_read(charting).items()
        if number in by_number
    ]
    return Decimal(states.count(IN_RANGE)) / len(states) if states else None
