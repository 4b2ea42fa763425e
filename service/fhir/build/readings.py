"""What was read at the bedside as Observations (http://hl7.org/fhir/R4/observation.html): gaps, bands, tails."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from service.clinic.entries import Check, GapReading, Installation, Reset
from service.fhir.build.charting import Charting
from service.fhir.build.identity import Built
from service.fhir.build.installed import BandParts
from service.fhir.build.observation import named, observation, unnamed
from service.fhir.build.values import cm, digits, words

Tree = dict[str, Any]
STRETCH, STRETCH_BEFORE = "band-stretch", "band-stretch-before"
LATER: Tree = {}  # stands in a pattern for what each Observation has of its own


def gap_widths(charting: Charting, listed: Iterable[GapReading]) -> list[Built]:
    """Gap widths at the stations, in cm with the digits of the mm readings."""
    code = charting.frame.concepts["gap-width"]
    pattern = unnamed(charting, "gap-width", code, value={"valueQuantity": LATER}, components=[LATER])
    return [_gap_width(charting, pattern, reading) for reading in listed]


def _gap_width(charting: Charting, pattern: Tree, reading: GapReading) -> Built:
    shown = charting.frame.shown
    gap, station = shown.gap[str(reading.gap_mm)], shown.station[str(reading.station_mm)]
    end = charting.context.course.wound.reference_end
    built = pattern.copy()
    built["valueQuantity"] = gap.width.tree
    built["component"] = station.components
    sentence = f"Gap width {gap.text} cm at {station.text} cm from the {end} end of the wound."
    written = {"valueQuantity": gap.width.written, "component": station.written}
    return named(charting, station.role, sentence, built, written)


def gap_not_measured(charting: Charting, reason: str) -> Built:
    """Why a check has no gap widths."""
    frame = charting.frame
    return observation(
        charting,
        "gap",
        "gap-width",
        frame.concepts["gap-width"],
        f"Gap widths not measured: {reason}",
        value={"dataAbsentReason": frame.terms.absent("gaps-not-measured", words(reason))},
    )


def stretch_pattern(charting: Charting) -> Tree:
    """What the stretch ratios of all bands have in common."""
    return unnamed(
        charting,
        "band-stretch",
        charting.frame.concepts["band-stretch-ratio"],
        value={"valueQuantity": LATER},
        interpretation=[LATER],
        device=LATER,
        reference_range=charting.frame.working_range.tree,
        components=[LATER],
    )


def band_stretch(charting: Charting, pattern: Tree, parts: BandParts, mark_mm: Decimal, role: str) -> Built:
    """Stretch ratio of one band = mark / mark at rest, said to be low, normal or high against the working range."""
    frame, number = charting.frame, parts.band.band
    shown = parts.stretch[str(mark_mm)]
    built = pattern.copy()
    built["valueQuantity"] = shown.ratio.tree
    built["interpretation"] = frame.interpretations[shown.letter]
    built["device"] = parts.device
    built["component"] = [parts.station.tree, parts.rest_mark.tree, shown.mark.tree]
    written = {
        "valueQuantity": shown.ratio.written,
        "referenceRange": frame.working_range.written,
        "component": [parts.station.written, parts.rest_mark.written, shown.mark.written],
    }
    return named(charting, f"{role}/{number}", f"Band {number}: {shown.sentence}", built, written)


def band_not_read(charting: Charting, parts: BandParts, reason: str | None) -> Built:
    """A band of the installation that a check did not read: with the charted reason, or that it is not in the list."""
    frame = charting.frame
    absent = frame.terms.absent("bands-not-read", words(reason)) if reason else frame.terms.absent("band-not-read")
    return observation(
        charting,
        f"band-stretch/{parts.band.band}",
        "band-stretch",
        frame.concepts["band-stretch-ratio"],
        f"Band {parts.band.band}: {absent['text']}",
        value={"dataAbsentReason": absent},
        device=parts.device,
        reference_range=frame.working_range.tree,
        components=[parts.station.tree, parts.rest_mark.tree],
    )


def band_tail(charting: Charting, parts: BandParts, tail_mm: Decimal) -> Built:
    """Free end of one band, in cm."""
    frame, number, tail = charting.frame, parts.band.band, cm(tail_mm)
    return observation(
        charting,
        f"band-tail/{number}",
        "closure-reading",
        frame.concepts["band-tail"],
        f"Band {number}: free tail {digits(tail)} cm.",
        value={"valueQuantity": frame.quantity(tail, "cm")},
        device=parts.device,
    )


def gaps(charting: Charting) -> list[Built]:
    """The gap widths of an installation or a check, or why there are none."""
    content = charting.content
    if not isinstance(content, Installation | Check):
        return []
    if content.gaps:
        return gap_widths(charting, content.gaps)
    if isinstance(content, Check) and content.gaps_not_measured:
        return [gap_not_measured(charting, content.gaps_not_measured)]
    return []


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
    read = {number: marks for number, marks in charting.marks.items() if number in by_number}
    pattern = stretch_pattern(charting)
    built = [band_stretch(charting, pattern, by_number[n], mark, STRETCH) for n, (mark, _) in read.items()]
    reason = charting.content.bands_not_read if isinstance(charting.content, Check) else None
    built += [
        band_not_read(charting, by_number[number], reason) for number in bands_expected(charting) if number not in read
    ]
    built += [band_tail(charting, by_number[number], tail) for number, (_, tail) in read.items() if tail is not None]
    return built


def marks_before(charting: Charting) -> list[Built]:
    """Stretch of the bands of a reset just before it, where it was read."""
    content = charting.content
    if not isinstance(content, Reset) or charting.bands is None:
        return []
    by_number, pattern = charting.bands.by_number, _read_before(stretch_pattern(charting))
    return [
        band_stretch(charting, pattern, by_number[setting.band], setting.mark_mm_before, STRETCH_BEFORE)
        for setting in content.bands
        if setting.mark_mm_before is not None and setting.band in by_number
    ]


def _read_before(pattern: Tree) -> Tree:
    """The same with a note that it was read before the reset."""
    noted: Tree = {}
    for name, value in pattern.items():
        if name == "bodySite":
            noted["note"] = [{"text": "read before the reset"}]
        noted[name] = value
    return noted
