"""Constraints of the clinical and administrative resources this service gives and takes."""

from __future__ import annotations

from typing import Any

from service.fhir.validate.invariants.datatypes import has
from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Walk

Json = dict[str, Any]

_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def _codes(concept: Json, system: str) -> set[str]:
    return {c["code"] for c in concept.get("coding", ()) if c.get("system") == system and "code" in c}


def _codings(concept: Json) -> set[tuple[str | None, str | None]]:
    return {(c.get("system"), c.get("code")) for c in concept.get("coding", ())}


# Observation: http://hl7.org/fhir/R4/observation.html
@rule("Observation.referenceRange", "obs-3", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "low" in value or "high" in value or "text" in value


@rule("Observation", "obs-6", when="dataAbsentReason", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return not has(value, "value")


@rule("Observation", "obs-7", when="component")
def _(value: Json, walk: Walk) -> bool:
    if not has(value, "value"):
        return True
    own = _codings(value["code"])
    for component in value["component"]:
        for coding in component["code"].get("coding", ()):
            if (coding.get("system"), coding.get("code")) in own:
                return False
    return True


# Condition: http://hl7.org/fhir/R4/condition.html
@rule("Condition.stage", "con-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "summary" in value or "assessment" in value


@rule("Condition.evidence", "con-2", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "code" in value or "detail" in value


@rule("Condition", "con-3", when=("verificationStatus", "category"))
def _(value: Json, walk: Walk) -> bool:
    listed = (coding for category in value.get("category", ()) for coding in category.get("coding", ()))
    problem = any(coding.get("code") == "problem-list-item" for coding in listed)
    wrong = "entered-in-error" in _codes(value.get("verificationStatus", {}), _VERIFICATION)
    return "clinicalStatus" in value or wrong or not problem


@rule("Condition", "con-4", when="abatement")
def _(value: Json, walk: Walk) -> bool:
    return bool(_codes(value.get("clinicalStatus", {}), _CLINICAL) & {"resolved", "remission", "inactive"})


@rule("Condition", "con-5", when="clinicalStatus")
def _(value: Json, walk: Walk) -> bool:
    return "entered-in-error" not in _codes(value.get("verificationStatus", {}), _VERIFICATION)


# CarePlan, Goal: http://hl7.org/fhir/R4/careplan.html, http://hl7.org/fhir/R4/goal.html
@rule("CarePlan.activity", "cpl-3", when="detail", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "reference" not in value


@rule("Goal.target", "gol-1", when="detail", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "measure" in value


@rule("ServiceRequest", "prr-1", when="orderDetail", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "code" in value


# People and organisations
@rule("Patient.contact", "pat-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return any(name in value for name in ("name", "telecom", "address", "organization"))


@rule("Organization", "org-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "name" in value or "identifier" in value


@rule("Organization", "org-2", when="address")
def _(value: Json, walk: Walk) -> bool:
    return all(address.get("use") != "home" for address in value["address"])


@rule("Organization", "org-3", when="telecom")
def _(value: Json, walk: Walk) -> bool:
    return all(telecom.get("use") != "home" for telecom in value["telecom"])


@rule("Group", "grp-1", when="member")
def _(value: Json, walk: Walk) -> bool:
    return value.get("actual") is True


# Records about records
@rule("AuditEvent.entity", "sev-1", when="query", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "name" not in value


@rule("Composition.section", "cmp-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "text" in value or "entry" in value or "section" in value


@rule("Composition.section", "cmp-2", when="emptyReason", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "entry" not in value


@rule("List", "lst-1", when="emptyReason", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "entry" not in value


@rule("List", "lst-2", when="entry")
def _(value: Json, walk: Walk) -> bool:
    return value.get("mode") == "changes" or all("deleted" not in entry for entry in value["entry"])


@rule("List", "lst-3", when="entry")
def _(value: Json, walk: Walk) -> bool:
    return value.get("mode") == "working" or all("date" not in entry for entry in value["entry"])


@rule("Parameters.parameter", "inv-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return ("part" in value) + has(value, "value") + ("resource" in value) == 1


@rule("MedicationAdministration.dosage", "mad-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "dose" in value or has(value, "rate")


# Measures
@rule("MeasureReport", "mrp-1", when="group")
def _(value: Json, walk: Walk) -> bool:
    return value.get("type") != "data-collection"


@rule("MeasureReport.group.stratifier.stratum", "mrp-2", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return ("value" in value) != ("component" in value)


@rule("Measure.group.stratifier", "mea-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return any(name in value for name in ("code", "description", "criteria")) != ("component" in value)
