"""The few verbs that join the parts: record, view, preview, mark overdue. One transaction each.

A document is reviewed against the course as charted; the course is projected; entries and resources are saved in one
commit. Readings are the record, resources a projection of them that `differences` can hold against a fresh one.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service import strict_json
from service.clinic.course import fold_course
from service.clinic.entries import Course, Entry
from service.clinic.standing import Charted, standing
from service.clinic.summary import course_view
from service.config import Settings
from service.fhir import wire
from service.fhir.build.context import Context
from service.fhir.build.provenance import provenance
from service.fhir.project import withdraw
from service.intake.faults import Refused
from service.intake.members import read_course
from service.intake.review import Known, NewEntry, Reviewed, entry_of, review_course_file, review_entries
from service.projection import Projected, Site, Sound, map_document, open_site, project
from service.search.dates import microseconds
from service.search.values import index
from service.store import CourseRow, Draft, EntryRow, Saved, Store, open_store
from service.store.courses import CourseReads
from service.store.writing import WriteUnit

WITHDRAWABLE = ("Flag", "Task")  # what the course's own projection can cease to give when entries are appended


class UnknownCourse(LookupError):
    """No course of that id at this site."""


class Recorded(NamedTuple):
    """The answer to a document: the course's id, whether anything changed, and the course view."""

    course_id: str
    changed: bool
    view: dict[str, Any]


class Difference(NamedTuple):
    """A stored resource that a fresh projection does not give like that."""

    course_id: str
    reference: str
    what: str


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
            known = _known(unit, _course_id(document))
            return self._record(unit, known, review_course_file(document, known, now), now)

    def record_entries(self, course_id: str, document: Any, now: datetime) -> Recorded:
        """Record one entry or a list, all or nothing; raises `Refused` or `UnknownCourse`."""
        with self.store.write(self.site.key, now) as unit:
            known = _known(unit, course_id)
            if known.course is None:
                raise UnknownCourse(course_id)
            return self._record(unit, known, review_entries(document, known, now), now)

    def _record(self, unit: WriteUnit, known: Known, reviewed: Reviewed, now: datetime) -> Recorded:
        course, charted = reviewed.course, [*known.entries, *(new.charted for new in reviewed.entries)]
        changed = reviewed.course_is_new or reviewed.course_changed or bool(reviewed.entries)
        if changed:
            self._save_record(unit, reviewed)
            before = () if reviewed.course_changed else known.entries
            projected = project(self.site, course, before, charted, now)
            self._save_projection(unit, projected, [new.charted for new in reviewed.entries], now)
        view = self._view(course, charted, now) | {"entries": _as_charted(unit, course.course_id)}
        return Recorded(course.course_id, changed, view)

    def _save_record(self, unit: WriteUnit, reviewed: Reviewed) -> None:
        course, header = reviewed.course, reviewed.course_body
        if reviewed.course_is_new and header is not None:
            unit.add_course(_course_row(self._context(course), course, header, reviewed.course_digest, unit.now))
        elif reviewed.course_changed and header is not None:
            unit.revise_course(course.course_id, header, bytes.fromhex(reviewed.course_digest))
        unit.add_entries(course.course_id, [_entry_row(new, unit.now) for new in reviewed.entries])

    def _context(self, course: Course) -> Context:
        return Context(self.site.frame, course, ())

    def _save_projection(
        self, unit: WriteUnit, projected: Projected, cause: Sequence[Charted], now: datetime, occasion: str = ""
    ) -> None:
        """Save what changed, withdraw what is no longer said, and say in a Provenance who brought it about."""
        course = projected.context.course
        drafts = [self._draft(course.course_id, sound) for sound in projected.resources]
        drafts += self._withdrawn(unit, projected)
        saved = unit.save_resources(drafts)
        unit.save_resources(self._provenances(projected, drafts, saved, cause, now, occasion))
        summary = projected.fold.summary(now)
        due = summary.next_reset
        unit.set_course_state(
            course.course_id,
            state=summary.state,
            due_at=None if due is None else microseconds(due.due_at),
            overdue_shown=due is not None and due.status(now) == "overdue",
        )

    def _draft(self, course_id: str, sound: Sound, patient: str | None = None) -> Draft:
        shared = sound.type in ("Patient", "Encounter")
        values = index(sound.resource, ZoneInfo(self.settings.zone))
        owner = None if shared else course_id
        return Draft(sound.type, sound.id, owner, sound.entry_id, sound.content, values, patient)

    def _withdrawn(self, unit: WriteUnit, projected: Projected) -> list[Draft]:
        course_id = projected.context.course.course_id
        given = {(sound.type, sound.id) for sound in projected.resources}
        gone = [
            key
            for key in unit.current(course_id)
            if key not in given and key[0] != "Provenance" and (projected.whole or key[0] in WITHDRAWABLE)
        ]
        return [
            self._draft(course_id, self.site.sound(None, withdraw(_content(body))))
            for body in unit.bodies(gone).values()
        ]

    def _provenances(
        self,
        projected: Projected,
        drafts: Sequence[Draft],
        saved: Sequence[Saved],
        cause: Sequence[Charted],
        now: datetime,
        occasion: str,
    ) -> list[Draft]:
        """One for each entry of the write, or for the opening of the course: what it changed, version by version.

        What changed beyond the new entries' own resources is laid to the last of them.
        """
        changed = [
            (draft.entry_id, (s.type, s.id, s.version)) for draft, s in zip(drafts, saved, strict=True) if s.changed
        ]
        context = projected.context
        causes: list[Entry | None] = [one.entry for one in cause] or [None]
        earlier_ids = {entry.entry_id for entry in causes[:-1] if entry is not None}
        built = []
        for entry in causes:
            own = None if entry is None else entry.entry_id
            rest = earlier_ids if entry is causes[-1] else None  # None: its own resources only
            targets = [key for owner, key in changed if owner == own or (rest is not None and owner not in rest)]
            if targets:
                resource = provenance(context, entry, targets, now, occasion)
                sound = self.site.sound(own, resource)
                patient = context.subject["reference"].partition("/")[2]
                built.append(self._draft(context.course.course_id, sound, patient))
        return built

    def mark_overdue(self, now: datetime) -> int:
        """Let the resources of courses say that their reset is overdue; returns how many courses that were."""
        with self.store.read(self.site.key) as unit:
            late = unit.courses_due(microseconds(now) - 1, overdue_shown=False)
        return sum(self._mark_overdue(row.course_id, now) for row in late)

    def _mark_overdue(self, course_id: str, now: datetime) -> bool:
        with self.store.write(self.site.key, now) as unit:
            row, known = unit.course(course_id), _known(unit, course_id)
            if row is None or known.course is None or row.overdue_shown or row.due_at is None:
                return False  # another process was first
            projected = project(self.site, known.course, known.entries, known.entries, now)
            self._save_projection(unit, projected, known.entries[-1:], now, occasion=f"overdue/{row.due_at}")
            return True

    # Reading

    def course_view(self, course_id: str, now: datetime) -> dict[str, Any]:
        """The course view with its links and the entries as charted; raises `UnknownCourse`."""
        with self.store.read(self.site.key) as unit:
            known = _known(unit, course_id)
            if known.course is None:
                raise UnknownCourse(course_id)
            return self._view(known.course, known.entries, now) | {"entries": _as_charted(unit, course_id)}

    def courses_page(self, state: str | None, after: str | None, limit: int, now: datetime) -> dict[str, Any]:
        """A page of course views in the order of their ids; `next_cursor` is there while more follow."""
        with self.store.read(self.site.key) as unit:
            rows = unit.courses(state=state, after=after or "", limit=limit + 1)
            views = [self._view_of(unit, row, now) for row in rows[:limit]]
        page: dict[str, Any] = {"courses": views}
        if len(rows) > limit:
            page["next_cursor"] = rows[limit - 1].course_id
        return page

    def due_board(self, within_h: int, now: datetime) -> dict[str, Any]:
        """Every open reset due within so many hours, most overdue first, with what is unsafe beside it."""
        horizon = microseconds(now + timedelta(hours=within_h))
        with self.store.read(self.site.key) as unit:
            rows = unit.courses_due(horizon)
            views = [self._view_of(unit, row, now) for row in rows]
        return {"due": [_due_row(view) for view in views if view["next_reset"] is not None]}

    def preview(self, document: Any, now: datetime) -> bytes:
        """The transaction Bundle that a course file would give, together with what is charted already."""
        with self.store.read(self.site.key) as unit:
            known = _known(unit, _course_id(document))
        return map_document(self.site, document, now, self.settings.fhir_base, known)

    def differences(self, now: datetime) -> Iterator[Difference]:
        """Hold every stored course against a fresh projection of its entries; yields what differs."""
        with self.store.read(self.site.key) as unit:
            after, rows = "", unit.courses(limit=100)
            while rows:
                for row in rows:
                    yield from self._differences(unit, row, now)
                after = rows[-1].course_id
                rows = unit.courses(after=after, limit=100)

    def _differences(self, unit: CourseReads, row: CourseRow, now: datetime) -> Iterator[Difference]:
        known = _known(unit, row.course_id)
        if known.course is None:
            return
        as_of = now if row.overdue_shown else min(now, known.entries[-1].entry.at) if known.entries else now
        fresh = {(s.type, s.id): s for s in project(self.site, known.course, (), known.entries, as_of).resources}
        stored = unit.bodies(fresh)
        for (type_, id_), sound in fresh.items():
            body = stored.get((type_, id_))
            if body is None:
                yield Difference(row.course_id, f"{type_}/{id_}", "is missing")
            elif type_ not in ("Patient", "Encounter") and _content(body) != wire.read(sound.content):
                yield Difference(row.course_id, f"{type_}/{id_}", "has other content")

    def _view_of(self, unit: CourseReads, row: CourseRow, now: datetime) -> dict[str, Any]:
        known = _known(unit, row.course_id)
        assert known.course is not None
        return self._view(known.course, known.entries, now)

    def _view(self, course: Course, charted: Iterable[Charted], now: datetime) -> dict[str, Any]:
        fold = fold_course(course, standing(charted), self.site.policy, self.site.bench)
        return course_view(course, fold.summary(now), now) | {"links": self._links(course)}

    def _links(self, course: Course) -> dict[str, str]:
        names, base = self._context(course), self.settings.fhir_base
        found = {
            "patient": names.subject,
            "condition": names.condition[0],
            "care_plan": names.plan[0],
            "report": names.names.reference("DiagnosticReport", "report"),
        }
        if names.encounter is not None:
            found["encounter"] = names.encounter
        links = {name: f"{base}/{reference['reference']}" for name, reference in found.items()}
        patient = names.subject["reference"]
        return links | {
            "observations": f"{base}/Observation?patient={patient}",
            "open_reset": f"{base}/Task?patient={patient}&status=requested",
            "active_flags": f"{base}/Flag?patient={patient}&status=active",
        }


def open_workflow(settings: Settings) -> Workflow:
    """Open tables, policy and database (brought to this version's schema)."""
    site = open_site(settings)
    store = open_store(settings.database_url, settings.synchronous)
    store.migrate()
    return Workflow(store, site, settings)


def _course_id(document: Any) -> str:
    course = document.get("course") if isinstance(document, dict) else None
    found = course.get("course_id") if isinstance(course, dict) else None
    return found if isinstance(found, str) and found.isprintable() and len(found) <= 64 else ""


def _known(unit: CourseReads, course_id: str) -> Known:
    row = unit.course(course_id) if course_id else None
    if row is None:
        return Known()
    course = read_course(strict_json.read(row.header))
    if isinstance(course, list):
        raise Refused(course)
    rows = unit.entries(course_id)
    charted = [Charted(entry_of(one.body), one.arrival) for one in rows]
    return Known(course, row.digest.hex(), charted, {one.entry_id: one.digest.hex() for one in rows})


def _course_row(context: Context, course: Course, header: bytes, digest: str, now: datetime) -> CourseRow:
    return CourseRow(
        course_id=course.course_id,
        header=header,
        digest=bytes.fromhex(digest),
        patient_system=course.patient.identifier.system,
        patient_value=course.patient.identifier.value,
        patient_id=context.subject["reference"].partition("/")[2],
        opened_at=microseconds(course.opened_at),
        state="open",
        due_at=None,
        overdue_shown=False,
        revision=1,
        received_at=microseconds(now),
    )


def _entry_row(new: NewEntry, now: datetime) -> EntryRow:
    entry = new.charted.entry
    digest, at = bytes.fromhex(new.digest), microseconds(entry.at)
    return EntryRow(entry.entry_id, at, entry.kind, new.body, digest, microseconds(now))


def _as_charted(unit: CourseReads, course_id: str) -> list[Any]:
    return [strict_json.read(row.body) for row in unit.entries(course_id)]


def _content(body: bytes) -> dict[str, Any]:
    """A stored body without what the store added to it."""
    resource = wire.read(body)
    resource["meta"] = {k: v for k, v in resource["meta"].items() if k not in ("versionId", "lastUpdated")}
    return resource


def _due_row(view: dict[str, Any]) -> dict[str, Any]:
    high = [alert["code"] for alert in view["alerts"] if alert["severity"] == "high"]
    return {"course_id": view["course_id"], **view["next_reset"], "high_alerts": high, "links": view["links"]}
