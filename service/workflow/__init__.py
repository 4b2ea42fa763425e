"""The few verbs that join the parts: record, view, preview, mark overdue. One transaction each.

A document is reviewed against the course as charted; the course is projected; entries and resources are saved in one
commit. Readings are the record, resources a projection of them that `differences` can hold against a fresh one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service import counting
from service.config import Settings
from service.intake.review import Known, Reviewed, review_course_file, review_entries
from service.projection import Site, map_document, open_site, project, settings_of_site
from service.search.dates import microseconds
from service.store import Store, open_store
from service.store.courses import CourseReads
from service.store.writing import WriteUnit
from service.workflow.charted import save_record
from service.workflow.comparing import Difference, differences
from service.workflow.hospital import knowing, knowing_document
from service.workflow.remembering import Memory, Remembered
from service.workflow.saving import Settled, patient_id, save_projection
from service.workflow.viewing import due_row, view_of

__all__ = ["Difference", "Recorded", "UnknownCourse", "Workflow", "open_workflow", "workflow_of_site"]


class UnknownCourse(LookupError):
    """No course of that id at this site."""


class Recorded(NamedTuple):
    """The answer to a document: the course's id, whether anything changed, and the course view."""

    course_id: str
    changed: bool
    view: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Workflow:
    """The verbs of one site on one store."""

    store: Store
    site: Site
    settings: Settings
    memory: Memory = field(default_factory=Memory, compare=False)

    def close(self) -> None:
        """Give the database back."""
        self.store.close()

    def ready(self) -> None:
        """Return while the database answers; raises the store's error otherwise."""
        self.store.ready()

    def is_empty(self) -> bool:
        """Whether no course is charted yet."""
        with self.store.read(self.site.key) as unit:
            return not unit.courses(limit=1)

    # Writing

    def record_course(self, document: Any, now: datetime) -> Recorded:
        """Record a course file, for a new or a known course; raises `Refused` and then stores nothing."""
        with self.store.write(self.site.key, now) as unit:
            before = self.memory.recall(unit, self.site, _course_id(document))
            return self._record(unit, before, review_course_file(document, _known(before), now), now)

    def record_entries(self, course_id: str, document: Any, now: datetime) -> Recorded:
        """Record one entry or a list, all or nothing; raises `Refused` or `UnknownCourse`."""
        with self.store.write(self.site.key, now) as unit:
            return self.record_entries_within(unit, course_id, document, now)

    def record_entries_within(self, unit: WriteUnit, course_id: str, document: Any, now: datetime) -> Recorded:
        """The same within a write that somebody else has begun and ends."""
        before = self._recall(unit, course_id)
        return self._record(unit, before, review_entries(document, before.known, now), now)

    def _record(self, unit: WriteUnit, before: Remembered | None, reviewed: Reviewed, now: datetime) -> Recorded:
        course, new = reviewed.course, [one.charted for one in reviewed.entries]
        site, known = knowing(unit, self.site, course), _known(before)
        if before is not None and not new and not reviewed.course_changed:
            return Recorded(course.course_id, False, self._whole_view(site, before, now))
        fresh = before is None or reviewed.course_changed
        folded = None if before is None or fresh else before.folded
        projected = project(site, course, () if fresh else known.entries, [*known.entries, *new], now, folded)
        save_record(unit, reviewed, patient_id(projected), 0 if before is None else before.last.arrival)
        settled = Settled() if before is None else before.settled
        settled = save_projection(unit, site, self._zone, projected, new, now, settled=settled)
        after = self.memory.written(unit, before, reviewed, projected.folded, settled)
        return Recorded(course.course_id, True, self._whole_view(site, after, now))

    def mark_overdue(self, now: datetime) -> int:
        """Let the resources of courses say that their reset is overdue; returns how many courses that were."""
        with self.store.read(self.site.key) as unit:
            late = unit.courses_due(microseconds(now) - 1, overdue_shown=False)
        return sum(self._mark_overdue(row.course_id, now) for row in late)

    def _mark_overdue(self, course_id: str, now: datetime) -> bool:
        with self.store.write(self.site.key, now) as unit:
            row, held = unit.course(course_id), self.memory.recall(unit, self.site, course_id)
            if row is None or held is None or row.overdue_shown or row.due_at is None:
                return False  # another process was first
            site, charted = knowing(unit, self.site, held.folded.course), held.known.entries
            projected = project(site, held.folded.course, charted, charted, now, folded=held.folded)
            occasion = f"overdue/{row.due_at}"
            save_projection(unit, site, self._zone, projected, charted[-1:], now, occasion, held.settled)
        counting.count("resets_marked_overdue")
        return True

    # Reading

    def course_view(self, course_id: str, now: datetime) -> dict[str, Any]:
        """The course view with its links and the entries as charted; raises `UnknownCourse`."""
        with self.store.read(self.site.key) as unit:
            held = self._recall(unit, course_id)
            return self._whole_view(knowing(unit, self.site, held.folded.course), held, now)

    def courses_page(self, state: str | None, after: str | None, limit: int, now: datetime) -> dict[str, Any]:
        """A page of course views in the order of their ids; `next_cursor` is there while more follow."""
        with self.store.read(self.site.key) as unit:
            rows = unit.courses(state=state, after=after or "", limit=limit + 1)
            views = [self._view(unit, self._recall(unit, row.course_id), now) for row in rows[:limit]]
        page: dict[str, Any] = {"courses": views}
        if len(rows) > limit:
            page["next_cursor"] = rows[limit - 1].course_id
        return page

    def due_board(self, within_h: float, now: datetime) -> dict[str, Any]:
        """Every open reset due within so many hours, most overdue first, with what is urgent beside it."""
        horizon = microseconds(now + timedelta(hours=within_h))
        with self.store.read(self.site.key) as unit:
            held = [self._recall(unit, row.course_id) for row in unit.courses_due(horizon)]
            views = [self._view(unit, one, now) for one in held]
        return {"due": [due_row(view) for view in views if view["next_reset"] is not None]}

    def preview(self, document: Any, now: datetime) -> bytes:
        """The transaction Bundle that a course file would give, together with what is charted already."""
        with self.store.read(self.site.key) as unit:
            known = _known(self.memory.recall(unit, self.site, _course_id(document)))
            site = knowing_document(unit, self.site, document)
        return map_document(site, document, now, self.settings.fhir_base, known)

    def differences(self, now: datetime) -> Iterator[Difference]:
        """Hold every stored course against a fresh projection of its entries; yields what differs."""
        with self.store.read(self.site.key) as unit:
            yield from differences(unit, self.site, now)

    def _recall(self, unit: CourseReads, course_id: str) -> Remembered:
        found = self.memory.recall(unit, self.site, course_id)
        if found is None:
            raise UnknownCourse(course_id)
        return found

    def _whole_view(self, site: Site, held: Remembered, now: datetime) -> dict[str, Any]:
        """The course view with every entry as it was sent, corrections included, in order of arrival."""
        return view_of(site, self.settings.fhir_base, held.folded, now) | {"entries": list(held.as_sent)}

    def _view(self, unit: CourseReads, held: Remembered, now: datetime) -> dict[str, Any]:
        return view_of(knowing(unit, self.site, held.folded.course), self.settings.fhir_base, held.folded, now)

    @property
    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self.settings.zone)


def open_workflow(settings: Settings) -> Workflow:
    """Open tables, policy and database (brought to this version's schema)."""
    store = open_store(settings.database_url, settings.synchronous)
    workflow = workflow_of_site(store, settings, settings.site)
    store.migrate()
    return workflow


def workflow_of_site(store: Store, settings: Settings, key: str) -> Workflow:
    """The verbs of one site of an installation, on its store; raises with every fault of the site's files."""
    own = settings_of_site(settings, key)
    return Workflow(store, open_site(own), own)


def _known(held: Remembered | None) -> Known:
    return Known() if held is None else held.known


def _course_id(document: Any) -> str:
    course = document.get("course") if isinstance(document, dict) else None
    found = course.get("course_id") if isinstance(course, dict) else None
    return found if isinstance(found, str) and found.isprintable() and len(found) <= 64 else ""
