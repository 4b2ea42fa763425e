"""Resources of one entry, or of a course as a whole, as served; in the order in which they were first stored."""

from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import bindparam, select

from service.store.courses import CourseReads
from service.store.statements import Statement
from service.store.tables import courses, resources

_r, _c = resources.c, courses.c
# By way of the course's patient, whose rows lie together in the index.
_OF_COURSE = (
    select(_r.body)
    .where(
        _r.site == bindparam("site"),
        _r.patient
        == select(_c.patient_id)
        .where(_c.site == bindparam("site"), _c.course_id == bindparam("course_id"))
        .scalar_subquery(),
        _r.type == bindparam("type"),
        _r.course_id == bindparam("course_id"),
    )
    .order_by(_r.arrival)
)
_VERSIONS = Statement(
    _OF_COURSE.with_only_columns(_r.entry_id, _r.type, _r.id, _r.version, _r.arrival).where(_r.entry_id.is_not(None))
)
_OF_ENTRY = Statement(_OF_COURSE.where(_r.entry_id == bindparam("entry_id")))
_OF_WHOLE = Statement(_OF_COURSE.where(_r.entry_id.is_(None)))


class EntryVersion(NamedTuple):
    """The current version of a resource that an entry gave rise to."""

    entry_id: str
    type: str
    id: str
    version: int
    arrival: int


def versions_of_entries(unit: CourseReads, course_id: str, types: Iterable[str]) -> list[EntryVersion]:
    """Current versions of some types, of every entry of a course."""
    wanted = {"site": unit.site, "course_id": course_id}
    rows = [EntryVersion(*row) for type_ in types for row in _VERSIONS.rows(unit.connection, wanted | {"type": type_})]
    return sorted(rows, key=lambda row: row.arrival)


def bodies_of_entry(unit: CourseReads, course_id: str, entry_id: str, type_: str) -> list[bytes]:
    """Current resources of one type that an entry gave rise to; none for an unknown entry."""
    wanted = {"site": unit.site, "course_id": course_id, "entry_id": entry_id, "type": type_}
    return [body for (body,) in _OF_ENTRY.rows(unit.connection, wanted)]


def bodies_of_course(unit: CourseReads, course_id: str, type_: str) -> list[bytes]:
    """Current resources of one type that belong to the course and to no entry of it."""
    wanted = {"site": unit.site, "course_id": course_id, "type": type_}
    return [body for (body,) in _OF_WHOLE.rows(unit.connection, wanted)]
