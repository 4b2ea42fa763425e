"""The audit record: rows that are appended and read, never changed; a trigger of the database refuses the rest.

It lies apart from the clinical resources: no search of theirs reaches it. Ids begin with the instant, so that the order
of ids is the order of time and a page or a period is a walk along the key.
"""

from collections.abc import Callable, Iterable, Mapping
from contextvars import ContextVar
from random import Random, SystemRandom
from typing import NamedTuple

from sqlalchemy import bindparam, select

from service.store.courses import CourseReads
from service.store.statements import ListStatement, Statement, insertion, list_sizes, one_of_list
from service.store.tables import audit_events, courses, resources
from service.store.writing import WriteUnit

_a, _r, _c = audit_events.c, resources.c, courses.c
_NAMES = Random(SystemRandom().getrandbits(256))
_DIGITS = 14  # hexadecimal digits of microseconds since 1970: enough until the year 4253

# Called within each write before it is committed, in the context of the request that writes; None outside of one.
witness: ContextVar[Callable[[WriteUnit], None] | None] = ContextVar("witness", default=None)


class AuditRow(NamedTuple):
    """One event. `patient` is the id of the Patient, empty for none; `body` the AuditEvent as JSON."""

    id: str
    patient: str
    action: str
    outcome: str
    request_id: str
    body: bytes


class AuditAsked(NamedTuple):
    """Which events; times in microseconds since 1970 UTC, `low` included, `high` not. Newest first after `before`."""

    patient: str | None = None
    action: str | None = None
    outcome: str | None = None
    failed: bool = False  # only what was refused or went wrong
    low: int | None = None
    high: int | None = None
    before: str | None = None
    limit: int = 50


_APPEND = Statement(insertion(audit_events))
_ONE = Statement(select(_a.body).where(_a.site == bindparam("site"), _a.id == bindparam("id")))
_PATIENTS = ListStatement(
    {
        size: Statement(
            select(_r.type, _r.id, _r.patient).where(_r.site == bindparam("site"), one_of_list(_r.id, size))
        )
        for size in list_sizes()
    }
)
_PATIENTS_OF_COURSES = ListStatement(
    {
        size: Statement(
            select(_c.course_id, _c.patient_id).where(_c.site == bindparam("site"), one_of_list(_c.course_id, size))
        )
        for size in list_sizes()
    }
)


def event_id(at_us: int) -> str:
    """An id that sorts by its instant (microseconds since 1970 UTC)."""
    return f"{at_us:0{_DIGITS}x}-{_NAMES.getrandbits(64):016x}"


def append_events(unit: WriteUnit, rows: Iterable[AuditRow]) -> None:
    """Append events within a write."""
    _APPEND.run_each(unit.connection, ({"site": unit.site, **row._asdict()} for row in rows))


def find_events(unit: CourseReads, asked: AuditAsked) -> list[AuditRow]:
    """Events of one page, newest first."""
    wanted = select(*(_a[name] for name in AuditRow._fields)).where(_a.site == unit.site)
    for name in ("patient", "action", "outcome"):
        given = getattr(asked, name)
        if given is not None:
            wanted = wanted.where(_a[name] == given)
    if asked.failed:
        wanted = wanted.where(_a.outcome != "0")
    if asked.low is not None:
        wanted = wanted.where(_a.id >= f"{max(asked.low, 0):0{_DIGITS}x}")
    if asked.high is not None:
        wanted = wanted.where(_a.id < f"{max(asked.high, 0):0{_DIGITS}x}")
    if asked.before is not None:
        wanted = wanted.where(_a.id < asked.before)
    rows = unit.connection.execute(wanted.order_by(_a.id.desc()).limit(asked.limit))
    return [AuditRow(*row) for row in rows]


def event_body(unit: CourseReads, id_: str) -> bytes | None:
    """The AuditEvent of an id, or None."""
    rows = _ONE.rows(unit.connection, {"site": unit.site, "id": id_})
    return rows[0][0] if rows else None


class Patients(NamedTuple):
    """Ids of the Patients that resources (type, id) and courses belong to; what belongs to nobody is not there."""

    of_resources: Mapping[tuple[str, str], str]
    of_courses: Mapping[str, str]

    def of(self, keys: Iterable[tuple[str, str]], course_ids: Iterable[str]) -> set[str]:
        """Those of some of them."""
        found = {self.of_resources[key] for key in keys if key in self.of_resources}
        return found | {self.of_courses[each] for each in course_ids if each in self.of_courses}


def patients_of(unit: CourseReads, keys: Iterable[tuple[str, str]], course_ids: Iterable[str] = ()) -> Patients:
    """The Patients of resources (type, id) and of courses, asked for together."""
    wanted = set(keys)
    rows = _PATIENTS.rows(unit.connection, sorted({id_ for _, id_ in wanted}), {"site": unit.site})
    named = _PATIENTS_OF_COURSES.rows(unit.connection, sorted(set(course_ids)), {"site": unit.site})
    whose = {(type_, id_): id_ if type_ == "Patient" else patient for type_, id_, patient in rows}
    return Patients(
        {key: patient for key, patient in whose.items() if patient and key in wanted}, dict(map(tuple, named))
    )
