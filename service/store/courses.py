"""Reading the record: courses, entries, and which resources a course has. Part of reading and writing units alike."""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, bindparam, select

from service.store.rows import CourseRow, Current, EntryRow
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list
from service.store.tables import courses, entries, resources

_c, _e, _r = courses.c, entries.c, resources.c
_MY_COURSE = (_c.site == bindparam("site"), _c.course_id == bindparam("course_id"))
_COURSES = select(*(_c[name] for name in CourseRow._fields))
_COURSE = Statement(_COURSES.where(*_MY_COURSE))
_ENTRIES = Statement(
    select(*(_e[name] for name in EntryRow._fields))
    .where(_e.site == bindparam("site"), _e.course_id == bindparam("course_id"), _e.arrival > bindparam("after"))
    .order_by(_e.arrival)
)
# By way of the course's patient, whose rows lie together in the index.
_OF_COURSE = select(_r.type, _r.id, _r.version, _r.digest).where(
    _r.site == bindparam("site"),
    _r.patient == select(_c.patient_id).where(*_MY_COURSE).scalar_subquery(),
    _r.course_id == bindparam("course_id"),
)
_CURRENT = Statement(_OF_COURSE)
_CURRENT_OF_TYPES = ListStatement(
    {size: Statement(_OF_COURSE.where(one_of_list(_r.type, size))) for size in list_sizes()}
)
_BODIES = ListStatement(
    {
        size: Statement(select(_r.type, _r.id, _r.body).where(_r.site == bindparam("site"), one_of_list(_r.id, size)))
        for size in list_sizes()
    }
)


class CourseReads:
    """Reads of one site on one connection; what it sees is one state of the database."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection = connection
        self.site = site

    @property
    def connection(self) -> Connection:
        """The connection that everything of this unit runs on."""
        return self._connection

    def course(self, course_id: str) -> CourseRow | None:
        """The course, or None."""
        rows = _COURSE.rows(self._connection, {"site": self.site, "course_id": course_id})
        return _course_row(rows[0]) if rows else None

    def courses(self, *, state: str | None = None, after: str = "", limit: int = 50) -> list[CourseRow]:
        """Courses in the order of their ids, beginning after the id `after`."""
        wanted = self._courses().where(_c.course_id > after).order_by(_c.course_id).limit(limit)
        return self._course_rows(wanted.where(_c.state == state) if state else wanted)

    def courses_due(
        self, before: int, *, overdue_shown: bool | None = None, limit: int | None = None
    ) -> list[CourseRow]:
        """Courses whose reset is due at or before an instant (microseconds), the earliest first."""
        wanted = self._courses().where(_c.due_at <= before).order_by(_c.due_at, _c.course_id)
        if overdue_shown is not None:
            wanted = wanted.where(_c.overdue_shown == overdue_shown)
        return self._course_rows(wanted.limit(limit) if limit is not None else wanted)

    def entries(self, course_id: str, *, after: int = 0) -> list[EntryRow]:
        """Entries of a course in the order of their arrival; those behind the arrival `after`."""
        rows = _ENTRIES.rows(self._connection, {"site": self.site, "course_id": course_id, "after": after})
        return [EntryRow(*row) for row in rows]

    def current(self, course_id: str, types: Iterable[str] | None = None) -> dict[tuple[str, str], Current]:
        """Current resources of a course, of some types or all: (type, id) -> version and content digest.

        With few types the answer costs as much as it is long; without, as much as the course is.
        """
        of = {"site": self.site, "course_id": course_id}
        if types is None:
            rows = _CURRENT.rows(self._connection, of)
        else:
            rows = _CURRENT_OF_TYPES.rows(self._connection, list(types), of)
        return {(type_, id_): Current(version, digest) for type_, id_, version, digest in rows}

    def bodies(self, keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], bytes]:
        """Bodies as served of current resources, by (type, id); what is unknown is left out."""
        wanted = set(keys)
        rows = _BODIES.rows(self._connection, [id_ for _, id_ in wanted], {"site": self.site})
        return {(type_, id_): body for type_, id_, body in rows if (type_, id_) in wanted}

    def _courses(self) -> Select[Any]:
        return _COURSES.where(_c.site == self.site)

    def _course_rows(self, wanted: Select[Any]) -> list[CourseRow]:
        return [_course_row(row) for row in self._connection.execute(wanted)]


def _course_row(row: Sequence[Any]) -> CourseRow:
    course = CourseRow(*row)
    return course._replace(overdue_shown=bool(course.overdue_shown))  # SQLite has no truth values
