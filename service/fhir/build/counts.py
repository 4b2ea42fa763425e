"""Counts and outcome as Observations (http://hl7.org/fhir/R4/observation.html): what is missing, how it ended."""

from service.clinic.counts import ITEMS, Counts, ItemCount
from service.clinic.entries import Outcome
from service.fhir.build.charting import Charting
from service.fhir.build.identity import Built
from service.fhir.build.observation import observation

CONCEPT = {"anchors": "anchor-count", "bands": "band-count", "dressings": "dressing-count"}


def count(charting: Charting, item: str, of: ItemCount) -> Built:
    """One count over the whole course as of the entry; its value is what nobody has accounted for."""
    frame = charting.frame
    listed = (
        ("placed", of.placed),
        ("removed", of.removed),
        ("found", of.found),
        ("left-on-purpose", of.left_on_purpose),
        ("unaccounted-escalated", of.unaccounted_escalated),
    )
    known = [(name, items) for name, items in listed if items is not None]
    words = ", ".join(f"{items} {name.replace('-', ' ')}" for name, items in known)
    if of.outstanding is None:
        value, rest = {"dataAbsentReason": frame.terms.absent("count-unknown")}, "outstanding unknown"
    else:
        value, rest = {"valueQuantity": frame.quantity(of.outstanding, "items")}, f"{of.outstanding} outstanding"
    return observation(
        charting,
        f"count/{item}",
        "closure-reading",
        frame.concepts[CONCEPT[item]],
        f"{item.capitalize()}: {words}, {rest}.",
        value=value,
        method=frame.methods[CONCEPT[item]],
        components=[frame.component(f"items-{name}", items, "items") for name, items in known],
    )


def counts(charting: Charting, of: Counts) -> list[Built]:
    """The counts of anchors, bands and dressings."""
    return [count(charting, item, of.of(item)) for item in ITEMS]


def course_outcome(charting: Charting, entry: Outcome) -> Built:
    """How the course ended."""
    frame = charting.frame
    result = frame.concepts[f"outcome-{entry.result}"]
    return observation(
        charting,
        "course-outcome",
        "closure-reading",
        frame.concepts["course-outcome"],
        f"Outcome: {result['text'].lower()}.",
        value={"valueCodeableConcept": result},
        note=entry.note,
    )
