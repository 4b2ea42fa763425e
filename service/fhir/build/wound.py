"""BodyStructure (http://hl7.org/fhir/R4/bodystructure.html) and Condition (http://hl7.org/fhir/R4/condition.html)."""

from typing import Any

from service.clinic.entries import Outcome
from service.fhir.build.context import BODY_STRUCTURE, CONDITION, LENGTH, Context
from service.fhir.build.identity import Built
from service.fhir.build.values import cm, digits, narrative, time_text, words

Tree = dict[str, Any]
# An outcome after which the wound is covered; left to heal from its base, given up or died of, it is still open.
CLOSED_BY = ("primary-closure", "partial-closure-and-graft", "graft", "flap")


def site_text(context: Context) -> str:
    """The place of the wound in words."""
    wound = context.course.wound
    place = str(context.site["text"]).lower()
    return f"{wound.laterality} {place}" if wound.laterality in ("left", "right") else place


def body_structure(context: Context) -> Built:
    """BodyStructure: site, side and morphology of the wound, and from which end stations are counted."""
    wound, frame = context.course.wound, context.frame
    own = context.names.ids[BODY_STRUCTURE]
    morphology = "dehiscence-morphology" if wound.cause == "surgical-dehiscence" else "wound-morphology"
    sentence = (
        f"Wound of the {site_text(context)}, {digits(cm(wound.length_mm))} cm long; stations are counted from its "
        f"{wound.reference_end} end."
    )
    description = words(f"{sentence} {wound.description}") if wound.description else sentence
    built: Tree = {
        "resourceType": "BodyStructure",
        "id": own,
        "meta": frame.metas["wound-site"],
        "text": narrative(description),
        "identifier": context.names.identifier(BODY_STRUCTURE),
        "active": True,
        "morphology": frame.concepts[morphology],
        "location": context.site,
    }
    if wound.laterality is not None:
        built["locationQualifier"] = [frame.concepts[wound.laterality]]
    built["description"] = description
    built["patient"] = context.subject
    return Built("BodyStructure", own, None, BODY_STRUCTURE, built)


def condition(context: Context, outcome: Outcome | None) -> Built:
    """Condition: the open wound, resolved at the closure."""
    frame = context.frame
    own = context.names.ids[CONDITION]
    closed = outcome is not None and outcome.result in CLOSED_BY
    kind = frame.concepts[f"{context.course.wound.cause}-wound"]
    category = "encounter-diagnosis" if context.encounter else "problem-list-item"
    built: Tree = {
        "resourceType": "Condition",
        "id": own,
        "meta": frame.metas["open-wound"],
        "text": narrative(f"{kind['text']}, {site_text(context)}: {'closed' if closed else 'open'}."),
        "identifier": context.names.identifier(CONDITION),
        "clinicalStatus": frame.terms.hl7("condition-clinical", "resolved" if closed else "active"),
        "verificationStatus": frame.terms.hl7("condition-verification", "confirmed"),
        "category": [frame.terms.hl7("condition-category", category)],
        "code": kind,
        "bodySite": [context.body_site],
        "subject": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    if outcome is not None and closed:
        built["abatementDateTime"] = time_text(outcome.closed_at or outcome.at)
    built["recordedDate"] = time_text(context.course.opened_at)
    return Built("Condition", own, None, CONDITION, built)


def wound_length(context: Context) -> Built:
    """Observation (http://hl7.org/fhir/R4/observation.html): length of the wound, once a course, as it was opened."""
    frame = context.frame
    own = context.names.ids[LENGTH]
    length = cm(context.course.wound.length_mm)
    built: Tree = {
        "resourceType": "Observation",
        "id": own,
        "meta": frame.metas["closure-reading"],
        "text": narrative(f"Wound length {digits(length)} cm."),
        "identifier": context.names.identifier(LENGTH),
        "basedOn": context.plan,
        "status": "final",
        "category": frame.exam,
        "code": frame.concepts["wound-length"],
        "subject": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    built["effectiveDateTime"] = time_text(context.course.opened_at)
    built["valueQuantity"] = frame.quantity(length, "cm")
    built["bodySite"] = context.body_site
    return Built("Observation", own, None, LENGTH, built)
