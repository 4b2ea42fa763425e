"""The few verbs that join the parts: record, view, preview, mark overdue. One transaction each.

A document is reviewed against the course as charted; the course is projected; entries and resources are saved in one
commit. Readings are the record, resources a projection of them that `differences` can hold against a fresh one.
"""

from collections.abc import Iterator
from dataclasses import dataclass
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
from service.workflow.charted import entries_as_charted, known_course, save_record
from service.workflow.comparing import Difference, differences
from service.workflow.hospital import knowing, knowing_document
from service.workflow.saving import patient_id, save_projection
from service.workflow.viewing import due_row, view_of, view_of_fold

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
            known = known_course(unit, _course_id(document))
            return self._record(unit, known, review_course_file(document, known, now), now)

    def record_entries(self, course_id: str, document: Any, now: datetime) -> Recorded:
        """Record one entry or a list, all or nothing; raises `Refused` or `UnknownCourse`."""
        with self.store.write(self.site.key, now) as unit:
            return self.record_entries_within(unit, course_id, document, now)

    def record_entries_within(self, unit: WriteUnit, course_id: str, document: Any, now: datetime) -> Recorded:
        """The same within a write that somebody else has begun and ends."""
        known = known_course(unit, course_id)
        if known.course is None:
            raise UnknownCourse(course_id)
        return self._record(unit, known, review_entries(document, known, now), now)

    def _record(self, unit: WriteUnit, known: Known, reviewed: Reviewed, now: datetime) -> Recorded:
        course, new = reviewed.course, [one.charted for one in reviewed.entries]
        site = knowing(unit, self.site, course)
        changed = reviewed.course_is_new or reviewed.course_changed or bool(new)
        if changed:
            before = () if reviewed.course_changed else known.entries
            projected = project(site, course, before, [*known.entries, *new], now)
            save_record(unit, reviewed, patient_id(projected))
            save_projection(unit, site, self._zone, projected, new, now)
            view = view_of_fold(self.settings.fhir_base, projected.context, projected.fold, now)
        else:
            view = view_of(site, self.settings.fhir_base, known, now)
        view["entries"] = entries_as_charted(unit, course.course_id)
        return Recorded(course.course_id, changed, view)

    def mark_overdue(self, now: datetime) -> int:
        """Let the resources of courses say that their reset is overdue; returns how many courses that were."""
        with self.store.read(self.site.key) as unit:
            late = unit.courses_due(microseconds(now) - 1, overdue_shown=False)
        return sum(self._mark_overdue(row.course_id, now) for row in late)

    def _mark_overdue(self, course_id: str, now: datetime) -> bool:
        with self.store.write(self.site.key, now) as unit:
            row, known = unit.course(course_id), known_course(unit, course_id)
            if row is None or known.course is None or row.overdue_shown or row.due_at is None:
                return False  # another process was first
            site = knowing(unit, self.site, known.course)
            projected = project(site, known.course, known.entries, known.entries, now)
            occasion = f"overdue/{row.due_at}"
            save_projection(unit, site, self._zone, projected, known.entries[-1:], now, occasion)
        counting.count("resets_marked_overdue")
        return True

    # Reading

    def course_view(self, course_id: str, now: datetime) -> dict[str, Any]:
        """The course view with its links and the entries as charted; raises `UnknownCourse`."""
        with self.store.read(self.site.key) as unit:
            known = known_course(unit, course_id)
            if known.course is None:
                raise UnknownCourse(course_id)
            view = self._view(unit, known, now)
            return view | {"entries": entries_as_charted(unit, course_id)}

    def courses_page(self, state: str | None, after: str | None, limit: int, now: datetime) -> dict[str, Any]:
        """A page of course views in the order of their ids; `next_cursor` is there while more follow."""
        with self.store.read(self.site.key) as unit:
            rows = unit.courses(state=state, after=after or "", limit=limit + 1)
            views = [self._view(unit, known_course(unit, row.course_id), now) for row in rows[:limit]]
        page: dict[str, Any] = {"courses": views}
        if len(rows) > limit:
            page["next_cursor"] = rows[limit - 1].course_id
        return page

    def due_board(self, within_h: float, now: datetime) -> dict[str, Any]:
        """Every open reset due within so many hours, most overdue first, with what is urgent beside it."""
        horizon = microseconds(now + timedelta(hours=within_h))
        with self.store.read(self.site.key) as unit:
            views = [self._view(unit, known_course(unit, row.course_id), now) for row in unit.courses_due(horizon)]
        return {"due": [due_row(view) for view in views if view["next_reset"] is not None]}

    def preview(self, document: Any, now: datetime) -> bytes:
        """The transaction Bundle that a course file would give, together with what is charted already."""
        with self.store.read(self.site.key) as unit:
            known = known_course(unit, _course_id(document))
            site = knowing_document(unit, self.site, document)
        return map_document(site, document, now, self.settings.fhir_base, known)

    def differences(self, now: datetime) -> Iterator[Difference]:
        """Hold every stored course against a fresh projection of its entries; yields what differs."""
        with self.store.read(self.site.key) as unit:
            yield from differences(unit, self.site, now)

    def _view(self, unit: CourseReads, known: Known, now: datetime) -> dict[str, Any]:
        return view_of(knowing(unit, self.site, known.course), self.settings.fhir_base, known, now)

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


def _course_id(document: Any) -> str:
    course = document.get("course") if isinstance(document, dict) else None
    found = course.get("course_id") if isinstance(course, dict) else None
    return found if isinstance(found, str) and found.isprintable() and len(found) <= 64 else ""
