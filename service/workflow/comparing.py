"""Holding what is stored against a projection made afresh."""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from service.fhir import wire
from service.projection import Site, project
from service.store import CourseRow
from service.store.courses import CourseReads
from service.workflow.charted import known_course
from service.workflow.saving import SHARED, content_of

COURSES_AT_ONCE = 100


class Difference(NamedTuple):
    """A stored resource that a fresh projection does not give like that."""

    course_id: str
    reference: str
    what: str


def differences(unit: CourseReads, site: Site, now: datetime) -> Iterator[Difference]:
    """What differs, course by course; Patients and Encounters are only looked for: several courses speak of them."""
    rows = unit.courses(limit=COURSES_AT_ONCE)
    while rows:
        for row in rows:
            yield from _of_course(unit, site, row, now)
        rows = unit.courses(after=rows[-1].course_id, limit=COURSES_AT_ONCE)


def _of_course(unit: CourseReads, site: Site, row: CourseRow, now: datetime) -> Iterator[Difference]:
    known = known_course(unit, row.course_id)
    if known.course is None:
        return
    as_of = now if row.overdue_shown or not known.entries else min(now, max(one.entry.at for one in known.entries))
    fresh = {(s.type, s.id): s for s in project(site, known.course, (), known.entries, as_of).resources}
    stored = unit.bodies(fresh)
    for (type_, id_), sound in fresh.items():
        body = stored.get((type_, id_))
        if body is None:
            yield Difference(row.course_id, f"{type_}/{id_}", "is missing")
        elif type_ not in SHARED and content_of(body) != wire.read(sound.content):
            yield Difference(row.course_id, f"{type_}/{id_}", "has other content")
