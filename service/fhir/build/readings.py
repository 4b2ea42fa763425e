"""What was read at the bedside as Observations (http://hl7.org/fhir/R4/observation.html): gaps, bands, tails."""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Any

from service.clinic.bands import ABOVE_MAXIMUM, BELOW_RANGE, IN_RANGE, band_condition, stretch_ratio
from service.clinic.entries import BandReading, BandSetting, Check, GapReading, Installation, InstalledBand, Reset
from service.clinic.quantities import present
from service.fhir.build.context import Charting
from service.fhir.build.identity import Built
from service.fhir.build.observation import observation
from service.fhir.build.values import cm, digits, station_name, words

Tree = dict[str, Any]
shown_ratio = lru_cache(maxsize=4096)(present)  # marks lie on a half-millimetre grid: few ratios, many times
_LETTER = {BELOW_RANGE: "L", IN_RANGE: "N", ABOVE_MAXIMUM: "H"}
_WORDS = {BELOW_RANGE: "below", IN_RANGE: "in", ABOVE_MAXIMUM: "above"}


def component(charting: Charting, concept: str, value: Decimal | int, unit: str) -> Tree:
    """A component that holds a Quantity."""
    terms = charting.frame.terms
    return {"code": terms.concept(concept), "valueQuantity": terms.quantity(value, unit)}


def gap_width(charting: Charting, reading: GapReading) -> Built:
    """Gap width at one station, in cm with the digits of the mm reading."""
    terms = charting.frame.terms
    gap, station = cm(reading.gap_mm), cm(reading.station_mm)
    end = charting.context.course.wound.reference_end
    return observation(
        charting,
        f"gap/{station_name(reading.station_mm)}",
        "gap-width",
        terms.concept("gap-width"),
        f"Gap width {digits(gap)} cm at {digits(station)} cm from the {end} end of the wound.",
        value={"valueQuantity": terms.quantity(gap, "cm")},
        components=[component(charting, "station", station, "cm")],
    )


def gap_not_measured(charting: Charting, reason: str) -> Built:
    """Why a check has no gap widths."""
    terms = charting.frame.terms
    return observation(
        charting,
        "gap",
        "gap-width",
        terms.concept("gap-width"),
        f"Gap widths not measured: {reason}",
        value={"dataAbsentReason": terms.absent("gaps-not-measured", words(reason))},
    )


def band_stretch(charting: Charting, band: InstalledBand, device: Tree, mark_mm: Decimal) -> Built:
    """Stretch ratio of one band = mark / mark at rest, said to be low, normal or high against the working range."""
    frame = charting.frame
    terms, policy = frame.terms, frame.policy
    exact = stretch_ratio(mark_mm, band.rest_mark_mm)
    ratio, state = shown_ratio(exact), band_condition(exact, policy)
    return observation(
        charting,
        f"band-stretch/{band.band}",
        "band-stretch",
        terms.concept("band-stretch-ratio"),
        f"Band {band.band}: stretch ratio {digits(ratio)} (mark {digits(mark_mm)} mm, at rest "
        f"{digits(band.rest_mark_mm)} mm), {_WORDS[state]} the working range of {digits(policy.stretch_low)} to "
        f"{digits(policy.stretch_high)}.",
        value={"valueQuantity": terms.quantity(ratio, "ratio")},
        interpretation=frame.interpretations[_LETTER[state]],
        device=device,
        reference_range=frame.working_range,
        components=[
            component(charting, "station", cm(band.station_mm), "cm"),
            component(charting, "band-rest-mark", band.rest_mark_mm, "mm"),
            component(charting, "band-mark", mark_mm, "mm"),
        ],
    )


def band_not_read(charting: Charting, band: InstalledBand, device: Tree, reason: str | None) -> Built:
    """A band of the installation that a check did not read: with the charted reason, or that it is not in the list."""
    terms = charting.frame.terms
    absent = terms.absent("bands-not-read", words(reason)) if reason else terms.absent("band-not-read")
    return observation(
        charting,
        f"band-stretch/{band.band}",
        "band-stretch",
        terms.concept("band-stretch-ratio"),
        f"Band {band.band}: {absent['text']}",
        value={"dataAbsentReason": absent},
        device=device,
        reference_range=charting.frame.working_range,
        components=[
            component(charting, "station", cm(band.station_mm), "cm"),
            component(charting, "band-rest-mark", band.rest_mark_mm, "mm"),
        ],
    )


def band_tail(charting: Charting, band: InstalledBand, device: Tree, tail_mm: Decimal) -> Built:
    """Free end of one band, in cm."""
    terms = charting.frame.terms
    tail = cm(tail_mm)
    return observation(
        charting,
        f"band-tail/{band.band}",
        "closure-reading",
        terms.concept("band-tail"),
        f"Band {band.band}: free tail {digits(tail)} cm.",
        value={"valueQuantity": terms.quantity(tail, "cm")},
        device=device,
    )


def gaps(charting: Charting) -> list[Built]:
    """The gap widths of an installation or a check, or why there are none."""
    content = charting.content
    if not isinstance(content, Installation | Check):
        return []
    if content.gaps:
        return [gap_width(charting, reading) for reading in content.gaps]
    if isinstance(content, Check) and content.gaps_not_measured:
        return [gap_not_measured(charting, content.gaps_not_measured)]
    return []


def marks_read(charting: Charting) -> dict[int, tuple[Decimal, Decimal | None]]:
    """Mark and tail of every band that the entry read."""
    content = charting.content
    if isinstance(content, Reset):
        return {setting.band: (setting.mark_mm_after, setting.tail_mm) for setting in content.bands}
    if isinstance(content, Installation | Check):
        listed: Sequence[BandReading | InstalledBand] = content.bands or ()
        return {reading.band: (reading.mark_mm, reading.tail_mm) for reading in listed}
    return {}


def bands_expected(charting: Charting) -> Iterable[int]:
    """Bands that a check should have read: those of the installation, unless they are out."""
    content, bands = charting.content, charting.bands
    if not isinstance(content, Check) or bands is None or content.device_status == "removed":
        return ()
    return () if charting.context.removed_since(bands, content) else bands.by_number


def band_readings(charting: Charting) -> list[Built]:
    """Stretch and tail of every band read, and the bands that should have been read and were not."""
    if charting.bands is None:
        return []
    by_number = charting.bands.by_number
    read = {number: marks for number, marks in marks_read(charting).items() if number in by_number}
    built = [band_stretch(charting, *by_number[number], mark) for number, (mark, _) in read.items()]
    reason = charting.content.bands_not_read if isinstance(charting.content, Check) else None
    built += [
        band_not_read(charting, *by_number[number], reason) for number in bands_expected(charting) if number not in read
    ]
    built += [band_tail(charting, *by_number[number], tail) for number, (_, tail) in read.items() if tail is not None]
    return built


def marks_before(charting: Charting) -> list[Built]:
    """Stretch of the bands of a reset just before it, where it was read."""
    content = charting.content
    if not isinstance(content, Reset) or charting.bands is None:
        return []
    by_number = charting.bands.by_number
    return [
        _before(band_stretch(charting, *by_number[setting.band], setting.mark_mm_before), setting, charting)
        for setting in content.bands
        if setting.mark_mm_before is not None and setting.band in by_number
    ]


def _before(built: Built, setting: BandSetting, charting: Charting) -> Built:
    """The same Observation under a role of its own, with a note that it was read before the reset."""
    role = f"band-stretch-before/{setting.band}"
    own = charting.names.id(role)
    note = [{"text": "read before the reset"}]
    resource: Tree = {}
    for name, value in built.resource.items():
        if name == "bodySite":
            resource["note"] = note
        resource[name] = value
    return Built(
        built.type, own, built.entry_id, role, resource | {"id": own, "identifier": charting.names.identifier(role)}
    )
