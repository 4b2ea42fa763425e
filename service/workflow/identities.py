"""Whom a business identifier names: one Patient, one Encounter of a patient, however it came in.

A Patient that was first charted at the bedside has little more than its identifier. The hospital's own, with the same
identifier, takes its place on the same id, as a further version. Nothing is merged: a resource whose identifiers name
two that are here is refused, and so is one that would take away the identifier under which a course was charted.
"""

from collections.abc import Iterable
from typing import Any

from service import strict_json
from service.fhir import wire
from service.fhir.writable import WRITABLE
from service.search.values import Identifier, IndexValues
from service.store.receiving import Held, courses_of_patient, identified
from service.store.resource_rows import identifiers_of
from service.store.writing import WriteUnit
from service.workflow.rejecting import rejected

LONGEST_PART = 200  # characters of an identifier's system and of its value, as they are indexed


def named_by(unit: WriteUnit, type_: str, values: IndexValues) -> list[Held]:
    """What is stored under one of the identifiers of a resource: Encounters of the same patient only."""
    if not WRITABLE[type_].one_by_identifier:
        return []
    found: dict[str, Held] = {}
    for system, value in dict.fromkeys(values.identifiers):
        for each in identified(unit, type_, system, value):
            if type_ == "Patient" or each.patient == (values.patient or ""):
                found.setdefault(each.id, each)
    return list(found.values())


def one_named_by(unit: WriteUnit, type_: str, values: IndexValues, place: str) -> Held | None:
    """The one resource that the identifiers name, if any; Rejected 409 where they name several."""
    found = named_by(unit, type_, values)
    if len(found) > 1:
        ids = ", ".join(sorted(each.id for each in found))
        raise rejected(409, f"the identifiers name several resources: {ids}", f"{place}.identifier", "duplicate")
    return found[0] if found else None


def check_alone(unit: WriteUnit, type_: str, id_: str, values: IndexValues, place: str) -> None:
    """Raise Rejected 409 where another resource has an identifier of this one."""
    others = sorted(each.id for each in named_by(unit, type_, values) if each.id != id_)
    if others:
        told = f"{type_}/{others[0]} has an identifier of this resource: write to that id"
        raise rejected(409, told, f"{place}.identifier", "duplicate")


def check_lengths(values: IndexValues, place: str) -> None:
    """Raise Rejected 422 for an identifier too long to be found by."""
    if any(len(part) > LONGEST_PART for identifier in values.identifiers for part in identifier):
        told = f"system and value of an identifier have at most {LONGEST_PART} characters here"
        raise rejected(422, told, f"{place}.identifier", "too-long")


def check_update(unit: WriteUnit, before: Held, values: IndexValues, place: str) -> None:
    """Raise Rejected for an update that turns a resource into somebody else's, or hides it from its courses."""
    if before.patient != (values.patient or ""):
        told = "a stored resource stays with its patient: mark it entered-in-error and send another"
        raise rejected(422, told, f"{place}.subject")
    lost = identifiers_of(before.body) - set(values.identifiers)
    if before.type in ("Patient", "Encounter") and lost:
        used = {tuple(each) for course in courses_of_patient(unit, before.patient) for each in _used(course.header)}
        if any((before.type, *identifier) in used for identifier in lost):
            told = "a course was charted under an identifier that is missing now: keep it among the identifiers"
            raise rejected(409, told, f"{place}.identifier")


def _used(header: bytes) -> Iterable[tuple[str, str, str]]:
    """Type, system and value of the identifiers in the header of a course."""
    course: Any = strict_json.read(header)
    for type_, member in (("Patient", "patient"), ("Encounter", "encounter")):
        if member in course:
            identifier = course[member]["identifier"]
            yield type_, identifier["system"], identifier["value"]


def first_identifier(body: bytes) -> Identifier | None:
    """System and value of the first identifier of a stored resource, as a chart would name it."""
    listed = wire.read(body).get("identifier", ())
    found = [(each["system"], each["value"]) for each in listed if "system" in each and "value" in each]
    return found[0] if found else None
