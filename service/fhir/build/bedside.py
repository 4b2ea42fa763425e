"""The other readings of a check (http://hl7.org/fhir/R4/observation.html), and the panel that holds all of them."""

from collections.abc import Sequence
from typing import Any

from service.clinic.entries import Check, Dressing, Installation
from service.fhir.build.charting import Charting
from service.fhir.build.context import CHECK_PANEL
from service.fhir.build.identity import Built
from service.fhir.build.observation import observation, reference_to
from service.fhir.build.values import cm, digits, time_text

Tree = dict[str, Any]


def check_panel(charting: Charting, members: Sequence[Built]) -> Built:
    """The closure check itself: its readings are its members."""
    content = charting.content
    sentence = f"Closure check of {charting.at}: {len(members)} readings."
    return observation(
        charting,
        CHECK_PANEL,
        "closure-check",
        charting.frame.concepts["closure-check"],
        f"{sentence} Note: {content.note}" if content.note else sentence,
        note=content.note,
        members=[reference_to(member) for member in members],
    )


def device_in_place(charting: Charting, check: Check) -> Built:
    """Whether the device is in place; anything else than in place or taken out is abnormal."""
    frame = charting.frame
    status = frame.concepts[check.device_status]
    fine = check.device_status in ("in-place", "removed")
    return observation(
        charting,
        "device-in-place",
        "closure-reading",
        frame.concepts["device-in-place"],
        f"Device: {status['text'].lower()}.",
        value={"valueCodeableConcept": status},
        interpretation=frame.interpretations["N" if fine else "A"],
    )


def skin(charting: Charting, sign: str) -> Built:
    """One sign of the skin; a finding, no diagnosis."""
    frame = charting.frame
    found = frame.concepts[f"skin-{sign}"]
    return observation(
        charting,
        f"skin/{sign}",
        "closure-reading",
        frame.concepts["skin-finding"],
        f"Skin under and beside the bands: {found['text'].lower()}.",
        value={"valueCodeableConcept": found},
        interpretation=frame.interpretations["N" if sign == "intact" else "A"],
    )


def dressing(charting: Charting, charted: Dressing) -> Built:
    """What was charted about the dressing, one component each."""
    frame = charting.frame
    parts: list[Tree] = [{"code": frame.concepts["dressing-changed"], "valueBoolean": charted.changed}]
    words = ["changed" if charted.changed else "not changed"]
    if charted.covers_anchors is not None:
        parts.append({"code": frame.concepts["dressing-covers-anchors"], "valueBoolean": charted.covers_anchors})
        words.append("over anchors" if charted.covers_anchors else "clear of the anchors")
    for name, items in (("placed", charted.placed), ("removed", charted.removed)):
        if items is not None:
            parts.append(frame.component(f"items-{name}", items, "items"))
            words.append(f"{items} {name}")
    if charted.smallest_side_mm is not None:
        side = cm(charted.smallest_side_mm)
        parts.append(frame.component("dressing-smallest-side", side, "cm"))
        words.append(f"smallest side {digits(side)} cm")
    return observation(
        charting,
        "dressing",
        "closure-reading",
        frame.concepts["dressing-state"],
        f"Dressing: {', '.join(words)}.",
        components=parts,
    )


def other_readings(charting: Charting, check: Check) -> list[Built]:
    """Everything of a check but gaps and bands: device, skin, dressing, pain, pressures, counts."""
    built = [device_in_place(charting, check)]
    built += [skin(charting, sign) for sign in check.skin or ()]
    if check.dressing is not None:
        built.append(dressing(charting, check.dressing))
    return built + _plain_facts(charting, check) + _quantities(charting, check)


def _plain_facts(charting: Charting, check: Check) -> list[Built]:
    facts: list[tuple[str, str, Tree]] = []
    if check.next_dressing_change_at is not None:
        planned = time_text(check.next_dressing_change_at)
        facts.append(("next-dressing-change", planned, {"valueDateTime": planned}))
    if (vacuum := check.vacuum_therapy_in_use) is not None:
        facts.append(("vacuum-therapy-in-use", "yes" if vacuum else "no", {"valueBoolean": vacuum}))
    if check.mobilised is not None:
        facts.append(("mobilised", "yes" if check.mobilised else "no", {"valueBoolean": check.mobilised}))
    return [_fact(charting, concept, words, value) for concept, words, value in facts]


def _fact(charting: Charting, concept: str, words: str, value: Tree, category: list[Tree] | None = None) -> Built:
    code = charting.frame.concepts[concept]
    sentence = f"{code['text']}: {words}."
    return observation(charting, concept, "closure-reading", code, sentence, value=value, category=category)


def _quantities(charting: Charting, check: Check) -> list[Built]:
    frame = charting.frame
    present = check.devices_present
    listed = (
        ("pain-score", check.pain_0_10, "score", "survey"),
        ("diastolic-pressure", check.diastolic_pressure_mmhg, "mm-hg", "vital-signs"),
        ("compartment-pressure", check.compartment_pressure_mmhg, "mm-hg", "exam"),
        ("anchor-count", present.anchors if present else None, "items", "exam"),
        ("band-count", present.bands if present else None, "items", "exam"),
    )
    return [
        _fact(
            charting,
            concept,
            f"{digits(value)} {frame.terms.unit(unit)['unit']}",
            {"valueQuantity": frame.quantity(value, unit)},
            [frame.terms.hl7("observation-category", category)],
        )
        for concept, value, unit, category in listed
        if value is not None
    ]


def undermining(charting: Charting, installation: Installation) -> list[Built]:
    """The undermined width of an installation, where it was charted."""
    if installation.undermined_mm is None:
        return []
    frame = charting.frame
    width = cm(installation.undermined_mm)
    return [_fact(charting, "undermining", f"{digits(width)} cm", {"valueQuantity": frame.quantity(width, "cm")})]
