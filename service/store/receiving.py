"""What a write from outside has to know of what is stored: who a resource belongs to, whom an identifier names.

Everything is read on the connection of the write, which holds the site's lock from before the first look until the
commit: what was looked up stays true until it is acted upon, however many writers there are.
"""

from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy import bindparam, select

from service.store.courses import CourseReads
from service.store.reading import Reading
from service.store.rows import CourseRow
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list
from service.store.tables import courses, identifiers, resources
from service.store.token_sets import TokenSets
from service.store.writing import WriteUnit

_r, _i, _c = resources.c, identifiers.c, courses.c


class Held(NamedTuple):
    """A current resource; `course_id` is None where no course's projection owns it."""

    type: str
    id: str
    version: int
    last_updated: int
    patient: str
    course_id: str | None
    body: bytes


_HELD = ListStatement(
    {
        size: Statement(
            select(_r.type, _r.id, _r.version, _r.last_updated, _r.patient, _r.course_id, _r.body).where(
                _r.site == bindparam("site"), one_of_list(_r.id, size)
            )
        )
        for size in list_sizes()
    }
)
_IDENTIFIED = Statement(
    select(_r.type, _r.id, _r.version, _r.last_updated, _r.patient, _r.course_id, _r.body)
    .join(identifiers, (_i.site == _r.site) & (_i.type == _r.type) & (_i.arrival == _r.arrival))
    .where(
        _i.site == bindparam("site"),
        _i.value == bindparam("value"),
        _i.type == bindparam("type"),
        _i.system == bindparam("system"),
    )
    .order_by(_r.arrival)
)
_COURSES_OF_PATIENT = (
    select(*(_c[name] for name in CourseRow._fields))
    .where(
        _c.site == bindparam("site"),
        _c.course_id.in_(
            select(_r.course_id).where(
                _r.site == bindparam("site"), _r.patient == bindparam("patient"), _r.type == "CarePlan"
            )
        ),
    )
    .order_by(_c.course_id)
)


def held(unit: CourseReads, keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Held]:
    """Current resources by (type, id); what is unknown or was deleted is left out."""
    wanted = dict.fromkeys(keys)
    rows = _HELD.rows(unit.connection, list(dict.fromkeys(id_ for _, id_ in wanted)), {"site": unit.site})
    return {(row[0], row[1]): Held(*row) for row in rows if (row[0], row[1]) in wanted}


def identified(unit: CourseReads, type_: str, system: str, value: str) -> list[Held]:
    """Current resources of a type that have this business identifier, both parts whole, in order of arrival."""
    asked = {"site": unit.site, "type": type_, "system": system, "value": value}
    return [Held(*row) for row in _IDENTIFIED.rows(unit.connection, asked)]


def courses_of_patient(unit: CourseReads, patient_id: str) -> list[CourseRow]:
    """The courses whose plan is about this Patient."""
    rows: Any = unit.connection.execute(_COURSES_OF_PATIENT, {"site": unit.site, "patient": patient_id})
    return [CourseRow(*row) for row in rows]


def reading_within(unit: WriteUnit) -> Reading:
    """Reads that see what this write has saved so far, and which nobody else sees yet."""
    unit.flush_token_sets()
    return Reading(unit.connection, unit.site, TokenSets(unit.site))
