"""The Patient and the Encounter that courses and the hospital share: one resource, by its business identifiers.

The projection names them by UUIDv5 over the identifier. Where the hospital has sent a Patient (Encounter) with that
identifier, the course takes the one that is here; and what the hospital sent is not written over by what was charted
at the bedside, which stays in the record of the course.
"""

import copy
from collections.abc import Mapping
from typing import Any

import orjson
from msgspec.structs import replace

from service.clinic.entries import Course, Identifier
from service.fhir.build.identity import SEPARATOR, hospital_id
from service.fhir.origin import is_received
from service.intake.members import read_course
from service.projection import Site
from service.store.courses import CourseReads
from service.store.receiving import Held, held, identified
from service.store.rows import Draft
from service.store.saving import Saving
from service.store.writing import content_digest


def knowing(unit: CourseReads, site: Site, course: Course | None) -> Site:
    """The site with the ids that the Patient and Encounter of a course have here, where they are not the usual ones."""
    if course is None:
        return site
    who = course.patient.identifier
    patient_id = _patient_id(unit, site, who)
    named = {("Patient", who.system, who.value): patient_id}
    if course.encounter is not None:
        stay = course.encounter.identifier
        named["Encounter", stay.system, stay.value] = _encounter_id(unit, site, stay, patient_id)
    unusual = {key: id_ for key, id_ in named.items() if id_ != hospital_id(site.key, *key)}
    return _with_ids(site, unusual) if unusual else site


def knowing_document(unit: CourseReads, site: Site, document: Any) -> Site:
    """The same for a course file that is not reviewed yet; unchanged for one whose course cannot be read."""
    sent = document.get("course") if isinstance(document, dict) else None
    course = read_course(sent)
    return site if isinstance(course, list) else knowing(unit, site, course)


def not_the_hospitals(
    unit: CourseReads, site: Site, drafts: list[Draft], shared: tuple[str, ...], saving: Saving
) -> list[Draft]:
    """The drafts of a projection without those that would change a resource which the hospital has sent."""
    asked = [draft for draft in drafts if draft.type in shared]
    other = [draft for draft in asked if saving.stored_digest((draft.type, draft.id)) != content_digest(draft.content)]
    bodies = unit.bodies((draft.type, draft.id) for draft in other)
    theirs = {key for key, body in bodies.items() if is_received(orjson.loads(body), site.frame.terms.base)}
    return [draft for draft in drafts if (draft.type, draft.id) not in theirs] if theirs else drafts


def _patient_id(unit: CourseReads, site: Site, who: Identifier) -> str:
    found = identified(unit, "Patient", who.system, who.value)
    return found[0].id if found else _free_id(unit, site, "Patient", who, "")


def _encounter_id(unit: CourseReads, site: Site, stay: Identifier, patient_id: str) -> str:
    """The stay with this identifier of this very patient: a stay of somebody else is never taken."""
    found: list[Held] = identified(unit, "Encounter", stay.system, stay.value)
    own = [each.id for each in found if each.patient == patient_id]
    return own[0] if own else _free_id(unit, site, "Encounter", stay, patient_id)


def _free_id(unit: CourseReads, site: Site, kind: str, identifier: Identifier, whose: str) -> str:
    """The usual id; another one where a resource of another identifier or patient was put there from outside."""
    usual = hospital_id(site.key, kind, identifier.system, identifier.value)
    taken = held(unit, [(kind, usual)])
    return hospital_id(site.key, kind, identifier.system, SEPARATOR.join((identifier.value, whose))) if taken else usual


def _with_ids(site: Site, ids: Mapping[tuple[str, str, str], str]) -> Site:
    frame = copy.copy(site.frame)
    frame.hospital_ids = ids
    return replace(site, frame=frame)
