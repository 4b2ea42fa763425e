"""Patient (http://hl7.org/fhir/R4/patient.html) and Encounter (http://hl7.org/fhir/R4/encounter.html).

The identifiers of the hospital and what it sent, no more. A push to another server refers to them by identifier, so
that the hospital's own Patient and Encounter are used.
"""

from typing import Any

from service.clinic.entries import Identifier
from service.fhir.build.context import Context
from service.fhir.build.identity import Built
from service.fhir.build.values import narrative, words

Tree = dict[str, Any]


def _identifier(identifier: Identifier) -> list[Tree]:
    return [{"system": identifier.system, "value": identifier.value}]


def patient(context: Context) -> Built:
    """Patient: identifier, and name, gender and birth date where they were sent."""
    sent = context.course.patient
    own = context.subject["reference"].partition("/")[2]
    names = [*(sent.given or ()), *([sent.family] if sent.family else ())]
    built: Tree = {
        "resourceType": "Patient",
        "id": own,
        "meta": context.frame.metas["closure-patient"],
        "text": narrative(f"Patient {' '.join(names) or sent.identifier.value}."),
        "identifier": _identifier(sent.identifier),
    }
    if names:
        built["name"] = [
            ({"family": words(sent.family)} if sent.family else {})
            | ({"given": [words(name) for name in sent.given]} if sent.given else {})
        ]
    if sent.gender is not None:
        built["gender"] = sent.gender
    if sent.birth_date is not None:
        built["birthDate"] = sent.birth_date.isoformat()
    return Built("Patient", own, None, "patient", built)


def encounter(context: Context) -> list[Built]:
    """Encounter with the identifier of the stay; what was not sent is said to be unknown."""
    sent = context.course.encounter
    if sent is None or context.encounter is None:
        return []
    own = context.encounter["reference"].partition("/")[2]
    built: Tree = {
        "resourceType": "Encounter",
        "id": own,
        "meta": context.frame.metas["closure-encounter"],
        "text": narrative(f"Stay {sent.identifier.value}."),
        "identifier": _identifier(sent.identifier),
        "status": "unknown",
        "class": context.frame.terms.hl7("encounter-class", "UNK")["coding"][0],
        "subject": context.subject,
    }
    return [Built("Encounter", own, None, "encounter", built)]
