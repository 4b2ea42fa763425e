"""Saving a projection: changes become versions, what is no longer said is withdrawn, and Provenance tells of it.

In the same commit the outbox notes for each destination what is to go there, and each subscription its events.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple

from service.clinic.entries import Entry
from service.clinic.standing import Charted
from service.fhir import wire
from service.fhir.build.provenance import provenance
from service.fhir.project import withdraw
from service.projection import Projected, Site, Sound
from service.search.dates import microseconds
from service.search.values import index
from service.store import Draft, Saved
from service.store.listening import listeners
from service.store.outbox_rows import queue_written
from service.store.subscription_rows import note_events
from service.store.writing import WriteUnit, content_digest
from service.workflow.hospital import not_the_hospitals

SHARED = ("Patient", "Encounter")  # several courses may speak of them
Key = tuple[str, str]  # type, id
WITHDRAWABLE = ("Flag", "Task")  # what the course's own projection can cease to give when entries are appended


class Settled(NamedTuple):
    """What saving a course showed, so that the next time it need not be worked out again."""

    drafts: Mapping[Key, Draft] = {}  # the course's own resources; one with the same bytes is the same draft
    withdrawn: Mapping[Key, bytes] = {}  # digest of what is entered in error for good, or until it is given again


NOTHING = Settled()


def save_projection(
    unit: WriteUnit,
    site: Site,
    zone: tzinfo,
    projected: Projected,
    cause: Sequence[Charted],
    now: datetime,
    occasion: str = "",
    settled: Settled = NOTHING,
) -> Settled:
    """Save a projected course within a write; `cause`: the entries that brought it about, `occasion`: Provenance's."""
    course_id, patient = projected.context.course.course_id, patient_id(projected)
    causes: Sequence[Entry | None] = [one.entry for one in cause] or [None]
    of_course = [_draft_again(course_id, sound, zone, settled) for sound in projected.of_course]
    gone, settled_before = _withdrawn(unit, site, projected, settled.withdrawn)
    withdrawn = [_draft(course_id, sound, zone) for sound in gone]
    drafts = [*(_draft(course_id, sound, zone) for sound in projected.of_entries), *of_course, *withdrawn]
    origins = [("Provenance", _provenance_id(projected, entry, occasion)) for entry in causes]
    saving = unit.begin_saving([*((draft.type, draft.id) for draft in drafts), *origins])
    drafts = not_the_hospitals(unit, site, drafts, SHARED, saving)
    saved = saving.take(drafts)
    changed = [(d.entry_id, (s.type, s.id, s.version)) for d, s in zip(drafts, saved, strict=True) if s.changed]
    told = _provenances(site, projected, changed, causes, now, occasion)
    drafts_told = [_draft(course_id, sound, zone, patient) for sound in told]
    saved_told = saving.take(drafts_told)
    saving.write()
    unit.note_written([*drafts, *drafts_told], [*saved, *saved_told])
    _let_others_know(unit, course_id, patient, saved, saved_told)
    _save_state(unit, projected, now)
    return Settled(
        {(draft.type, draft.id): draft for draft in of_course},
        settled_before | {(draft.type, draft.id): content_digest(draft.content) for draft in withdrawn},
    )


def _let_others_know(
    unit: WriteUnit, course_id: str, patient: str, saved: Sequence[Saved], saved_told: Sequence[Saved]
) -> None:
    """Events of subscriptions and rows of the outbox, where the site has anybody to tell."""
    listening = listeners(unit)
    if listening.subscribed:
        note_events(unit, saved)
    if listening.destinations:
        queue_written(unit, course_id, patient, [(e.type, e.id) for e in (*saved, *saved_told) if e.changed])


def patient_id(projected: Projected) -> str:
    """Id of the course's Patient."""
    reference: str = projected.context.subject["reference"]
    return reference.partition("/")[2]


def content_of(body: bytes) -> dict[str, object]:
    """A stored body without what the store added to it."""
    resource = wire.read(body)
    resource["meta"] = {k: v for k, v in resource["meta"].items() if k not in ("versionId", "lastUpdated")}
    return resource


def _save_state(unit: WriteUnit, projected: Projected, now: datetime) -> None:
    summary = projected.fold.summary(now)
    due = summary.next_reset
    unit.set_course_state(
        projected.context.course.course_id,
        state=summary.state,
        due_at=None if due is None else microseconds(due.due_at),
        overdue_shown=due is not None and due.status(now) == "overdue",
    )


def _draft(course_id: str, sound: Sound, zone: tzinfo, patient: str | None = None) -> Draft:
    owner = None if sound.type in SHARED else course_id
    return Draft(sound.type, sound.id, owner, sound.entry_id, sound.content, index(sound.resource, zone), patient)


def _draft_again(course_id: str, sound: Sound, zone: tzinfo, settled: Settled) -> Draft:
    before = settled.drafts.get((sound.type, sound.id))
    return before if before is not None and before.content is sound.content else _draft(course_id, sound, zone)


def _withdrawn(
    unit: WriteUnit, site: Site, projected: Projected, settled: Mapping[Key, bytes]
) -> tuple[list[Sound], dict[Key, bytes]]:
    """What the store holds of the course and the projection no longer gives, as entered in error.

    What is stored as it was withdrawn before is told apart by its digest, and left alone.
    """
    given = {(sound.type, sound.id) for sound in projected.resources}
    stored = unit.current(projected.context.course.course_id, None if projected.whole else WITHDRAWABLE)
    gone = [key for key in stored if key not in given and key[0] != "Provenance"]
    before = {key: settled[key] for key in gone if settled.get(key) == stored[key].digest}
    bodies = unit.bodies(key for key in gone if key not in before)
    return [site.sound(None, withdraw(content_of(body))) for body in bodies.values()], before


def _provenance_id(projected: Projected, entry: Entry | None, occasion: str) -> str:
    """The id that `provenance` gives; were it another, `Saving` would refuse the draft."""
    context = projected.context
    names = context.names if entry is None else context.names_of(entry.entry_id)
    reference = names.reference("Provenance", f"provenance/{occasion}" if occasion else "provenance")
    return reference["reference"].partition("/")[2]


def _provenances(
    site: Site,
    projected: Projected,
    changed: Sequence[tuple[str | None, tuple[str, str, int]]],
    causes: Sequence[Entry | None],
    now: datetime,
    occasion: str,
) -> Iterator[Sound]:
    """One for each entry of the write, or for the opening of the course: what it changed, version by version.

    What changed beyond the new entries' own resources is laid to the last of them.
    """
    earlier = {entry.entry_id for entry in causes[:-1] if entry is not None}
    for entry in causes:
        own = None if entry is None else entry.entry_id
        rest = entry is causes[-1]
        targets = [key for owner, key in changed if owner == own or (rest and owner not in earlier)]
        if targets:
            yield site.sound(own, provenance(projected.context, entry, targets, now, occasion))
