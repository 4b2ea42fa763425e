"""The record: rows of the store to a course and its entries, and back."""

from datetime import datetime

from service import strict_json
from service.clinic.entries import Course
from service.clinic.standing import Charted
from service.intake.faults import Refused
from service.intake.members import read_course
from service.intake.review import Known, NewEntry, Reviewed, entry_of
from service.search.dates import microseconds
from service.store import CourseRow, EntryRow
from service.store.courses import CourseReads
from service.store.writing import WriteUnit


def known_course(unit: CourseReads, course_id: str) -> Known:
    """A course as charted so far; an empty one when there is none of that id."""
    row = unit.course(course_id) if course_id else None
    if row is None:
        return Known()
    rows = unit.entries(course_id)
    charted = [Charted(entry_of(one.body), one.arrival) for one in rows]
    return Known(course_in(row), row.digest.hex(), charted, {one.entry_id: one.digest.hex() for one in rows})


def course_in(row: CourseRow) -> Course:
    """A course as stored, parsed again. Raises `Refused` should it no longer be accepted."""
    course = read_course(strict_json.read(row.header))
    if isinstance(course, list):
        raise Refused(course)
    return course


def save_record(unit: WriteUnit, reviewed: Reviewed, patient_id: str, last: int) -> None:
    """Store what a document brings: the course when it is new or reads otherwise, and the new entries.

    `last`: arrival of the course's last entry, 0 for none.
    """
    course, header = reviewed.course, reviewed.course_body
    if reviewed.course_is_new and header is not None:
        unit.add_course(_course_row(course, header, reviewed.course_digest, patient_id, unit.now))
    elif reviewed.course_changed and header is not None:
        unit.revise_course(course.course_id, header, bytes.fromhex(reviewed.course_digest))
    unit.add_entries(course.course_id, [entry_row(new, unit.now) for new in reviewed.entries], last)


def _course_row(course: Course, header: bytes, digest: str, patient_id: str, now: datetime) -> CourseRow:
    return CourseRow(
        course_id=course.course_id,
        header=header,
        digest=bytes.fromhex(digest),
        patient_system=course.patient.identifier.system,
        patient_value=course.patient.identifier.value,
        patient_id=patient_id,
        opened_at=microseconds(course.opened_at),
        state="open",
        due_at=None,
        overdue_shown=False,
        revision=1,
        received_at=microseconds(now),
    )


def entry_row(new: NewEntry, now: datetime) -> EntryRow:
    """A new entry as it is stored; the store counts its arrival."""
    entry = new.charted.entry
    digest, at = bytes.fromhex(new.digest), microseconds(entry.at)
    return EntryRow(entry.entry_id, at, entry.kind, new.body, digest, microseconds(now))
