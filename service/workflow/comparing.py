"""Holding what is stored against a projection made afresh, and the record against the digests it was stored with."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, NamedTuple

from service import strict_json
from service.fhir import wire
from service.fhir.build.withdrawal import withdraw
from service.intake.review import digest_of
from service.projection import Site, Sound, project
from service.store import CourseRow
from service.store.courses import CourseReads
from service.workflow.charted import known_course
from service.workflow.hospital import knowing
from service.workflow.saving import SHARED, content_of

COURSES_AT_ONCE = 100
Key = tuple[str, str]  # type, id
MISSING, OTHER, UNREADABLE, SURPLUS = "is missing", "has other content", "cannot be read", "is no longer given"


class Difference(NamedTuple):
    """A stored resource that a fresh projection does not give like that, or a part of the record that is damaged."""

    course_id: str
    reference: str
    what: str
    of_record: bool = False  # nothing can be made afresh from a record that is damaged


def differences(unit: CourseReads, site: Site, now: datetime) -> Iterator[Difference]:
    """What differs, course by course; Patients and Encounters are only looked for: several courses speak of them."""
    rows = unit.courses(limit=COURSES_AT_ONCE)
    while rows:
        for row in rows:
            yield from course_differences(unit, site, row, now)
        rows = unit.courses(after=rows[-1].course_id, limit=COURSES_AT_ONCE)


def course_differences(unit: CourseReads, site: Site, row: CourseRow, now: datetime) -> Iterator[Difference]:
    """What differs of one course; where its record is damaged, that alone."""
    damage = list(_damage(unit, row))
    yield from damage
    if not damage:
        fresh = _fresh(unit, site, row, now)
        yield from _not_as_given(unit, row, fresh)
        yield from _surplus(unit, row, set(fresh))


def _damage(unit: CourseReads, row: CourseRow) -> Iterator[Difference]:
    """Header and entries whose digest is not the one they were recorded with."""
    parts = [("the course file's header", row.header, row.digest)]
    parts += [(f"the entry {one.entry_id}", one.body, one.digest) for one in unit.entries(row.course_id)]
    for name, body, digest in parts:
        try:
            sound = digest_of(strict_json.read(body)) == digest.hex()
        except ValueError:  # no JSON any longer
            sound = False
        if not sound:
            yield Difference(row.course_id, name, "is not as it was recorded: restore a backup", of_record=True)


def _fresh(unit: CourseReads, site: Site, row: CourseRow, now: datetime) -> dict[Key, Sound]:
    """The projection as of the instant of the stored one, as far as instants matter: overdue resets."""
    known = known_course(unit, row.course_id)
    assert known.course is not None, "the row is there"
    as_of = now if row.overdue_shown or not known.entries else min(now, max(one.entry.at for one in known.entries))
    projected = project(knowing(unit, site, known.course), known.course, (), known.entries, as_of)
    return {(sound.type, sound.id): sound for sound in projected.resources}


def _not_as_given(unit: CourseReads, row: CourseRow, fresh: dict[Key, Sound]) -> Iterator[Difference]:
    stored = unit.bodies(fresh)
    for key, sound in fresh.items():
        body = stored.get(key)
        content = None if body is None else _readable(body)
        if body is None:
            yield _difference(row, key, MISSING)
        elif content is None:
            yield _difference(row, key, UNREADABLE)
        elif sound.type not in SHARED and content != wire.read(sound.content):
            yield _difference(row, key, OTHER)


def _surplus(unit: CourseReads, row: CourseRow, given: set[Key]) -> Iterator[Difference]:
    """What stands in the name of the course without being given, and is not withdrawn yet."""
    held = [key for key in unit.current(row.course_id) if key not in given and key[0] != "Provenance"]
    for key, body in unit.bodies(held).items():
        content = _readable(body)
        if content is None:
            yield _difference(row, key, UNREADABLE)
        elif content != withdraw(content):
            yield _difference(row, key, SURPLUS)


def _readable(body: bytes) -> dict[str, Any] | None:
    try:
        return content_of(body)
    except (ValueError, KeyError, TypeError, AttributeError):  # no JSON, or none of a resource
        return None


def _difference(row: CourseRow, key: Key, what: str) -> Difference:
    return Difference(row.course_id, f"{key[0]}/{key[1]}", what)
