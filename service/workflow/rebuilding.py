"""Making projections afresh: what differs from the record is written as new versions, a course a transaction.

A course that agrees costs a reading and no write. Who is interrupted begins again, or goes on after the last course.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from service.projection import project
from service.store.repairing import count_courses, distrust
from service.store.writing import WriteUnit
from service.workflow import Difference, Workflow
from service.workflow.charted import known_course
from service.workflow.comparing import COURSES_AT_ONCE, UNREADABLE, Key, course_differences
from service.workflow.hospital import knowing
from service.workflow.saving import save_projection

OCCASION = "rebuild/"  # how the Provenance of a rebuild is told from that of an entry


class Compared(NamedTuple):
    """A course after it was held against its record, or rebuilt from it."""

    course_id: str
    differences: list[Difference]
    rebuilt: bool


def course_count(workflow: Workflow) -> int:
    """How many courses there are to go through."""
    with workflow.store.read(workflow.site.key) as unit:
        return count_courses(unit)


def compare_all(workflow: Workflow, now: datetime, after: str = "") -> Iterator[Compared]:
    """Hold every course behind the id `after` against its record; nothing is written."""
    for course_id in _course_ids(workflow, after):
        yield Compared(course_id, _differences(workflow, course_id, now), rebuilt=False)


def rebuild_all(workflow: Workflow, now: datetime, after: str = "") -> Iterator[Compared]:
    """Write what differs; each course is on disk when it is given. A damaged record is told of and left alone."""
    for course_id in _course_ids(workflow, after):
        if _differences(workflow, course_id, now):
            yield rebuild_course(workflow, course_id, now)
        else:
            yield Compared(course_id, [], rebuilt=False)


def rebuild_course(workflow: Workflow, course_id: str, now: datetime) -> Compared:
    """Write one course's projection where it differs, with a Provenance that says so."""
    with workflow.store.write(workflow.site.key, now) as unit:
        row = unit.course(course_id)
        found = [] if row is None else list(course_differences(unit, workflow.site, row, now))
        repairable = bool(found) and not any(one.of_record for one in found)
        if repairable:
            _save(workflow, unit, course_id, found, now)
        return Compared(course_id, found, repairable)


def _save(workflow: Workflow, unit: WriteUnit, course_id: str, found: list[Difference], now: datetime) -> None:
    known = known_course(unit, course_id)
    assert known.course is not None, "the row is there"
    distrust(unit, [_key(one) for one in found], [_key(one) for one in found if one.what == UNREADABLE])
    site = knowing(unit, workflow.site, known.course)
    projected = project(site, known.course, (), known.entries, now)
    zone, occasion = ZoneInfo(workflow.settings.zone), f"{OCCASION}{unit.last_updated}"
    save_projection(unit, site, zone, projected, (), now, occasion)


def _key(difference: Difference) -> Key:
    type_, _, id_ = difference.reference.partition("/")
    return type_, id_


def _differences(workflow: Workflow, course_id: str, now: datetime) -> list[Difference]:
    with workflow.store.read(workflow.site.key) as unit:
        row = unit.course(course_id)
        return [] if row is None else list(course_differences(unit, workflow.site, row, now))


def _course_ids(workflow: Workflow, after: str) -> Iterator[str]:
    """Page by page in readings of their own, so that no reading lasts as long as the whole."""
    while True:
        with workflow.store.read(workflow.site.key) as unit:
            rows = unit.courses(after=after, limit=COURSES_AT_ONCE)
        if not rows:
            return
        yield from (row.course_id for row in rows)
        after = rows[-1].course_id
