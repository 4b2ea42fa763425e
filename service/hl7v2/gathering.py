"""What is told of one entry, read from the store in one state of it."""

from collections.abc import Sequence
from typing import Any

from service.fhir import wire
from service.hl7v2.oru import Charted
from service.store.entry_rows import bodies_of_course, bodies_of_entry
from service.store.reading import Reading

CORRECTING = ("amendment", "retraction")


class NothingToTell(LookupError):
    """No such entry, or one that has no Observations of its own; the words say which."""


def charted_entry(reading: Reading, course_id: str, entry_id: str) -> Charted:
    """The entry with its Observations as stored. Raises NothingToTell."""
    kinds = {row.entry_id: row.kind for row in reading.entries(course_id)}
    if not kinds:
        raise NothingToTell(f"no such course: {course_id}")
    if entry_id not in kinds:
        raise NothingToTell(f"course {course_id} has no entry {entry_id}")
    if kinds[entry_id] in CORRECTING:
        raise NothingToTell(f"{entry_id} is a correction: name the entry that it corrects")
    observations = [wire.read(body) for body in bodies_of_entry(reading, course_id, entry_id, "Observation")]
    if not observations:
        raise NothingToTell(f"entry {entry_id} has no Observations")
    first, wounds = observations[0], bodies_of_course(reading, course_id, "BodyStructure")
    procedures = [wire.read(body) for body in bodies_of_entry(reading, course_id, entry_id, "Procedure")]
    patient = _referred(reading, first["subject"])
    if patient is None:
        raise NothingToTell(f"the Patient of course {course_id} was deleted")
    return Charted(
        course_id,
        entry_id,
        kinds[entry_id],
        observations,
        patient,
        _notes([*(each for each in observations if "hasMember" in each), *procedures]),
        _referred(reading, first["encounter"]) if "encounter" in first else None,
        wire.read(wounds[0]) if wounds else None,
        _devices(reading, observations),
    )


def _notes(resources: Sequence[dict[str, Any]]) -> list[str]:
    """The charted note, once: the panel of a check has it, or the Procedure of another entry."""
    return list(dict.fromkeys(note["text"] for each in resources for note in each.get("note", ())))


def _devices(reading: Reading, observations: Sequence[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    referred = {each["device"]["reference"]: each["device"] for each in observations if "device" in each}
    found = {named: _referred(reading, reference) for named, reference in referred.items()}
    return {named: device for named, device in found.items() if device is not None}


def _referred(reading: Reading, reference: dict[str, Any]) -> dict[str, Any] | None:
    type_, _, id_ = reference["reference"].partition("/")
    found = reading.resource(type_, id_)
    return None if found is None or found.body is None else wire.read(found.body)
