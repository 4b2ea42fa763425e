"""A document held against the course as it would stand afterwards: what is new in it, or every fault.

Pure: the course as charted so far and the clock are passed in. The caller stores what is accepted.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any

from msgspec import Struct, field

from service import strict_json
from service.clinic.entries import Course, Entry
from service.clinic.rules import AcrossEntries, Broken, course_faults, entry_faults, opening_faults
from service.clinic.standing import Charted, StandingEntry, appended, standing
from service.intake.faults import Fault, Path, Refused
from service.intake.members import read_course, read_entry
from service.intake.sketch import sketch_course, sketch_entry

CORRECTIONS = ("amendment", "retraction")


class Judged(Struct, frozen=True):
    """What is known of a course's entries beside their content: as they stand, and the rules across them."""

    stands: Sequence[StandingEntry]
    across: AcrossEntries

    def then(self, new: Iterable[Charted]) -> "Judged | None":
        """The same with new entries that come after all others and correct nothing; None otherwise."""
        more = appended(self.stands, new)
        return None if more is None else Judged([*self.stands, *more], self.across.then(more))


class Known(Struct, frozen=True):
    """A course as charted so far; without a course it is new. With `judged` new entries need not judge the old anew."""

    course: Course | None = None
    course_digest: str = ""
    entries: Sequence[Charted] = ()
    digests: dict[str, str] = field(default_factory=dict)  # by entry_id
    judged: Judged | None = None


class NewEntry(Struct, frozen=True):
    """An accepted entry: parsed, as charted, and the digest of its content."""

    charted: Charted
    body: bytes
    digest: str


class Reviewed(Struct, frozen=True):
    """What a document brings: the course as it now reads and the entries that are new."""

    course: Course
    course_body: bytes | None  # None: not sent
    course_digest: str
    course_is_new: bool
    course_changed: bool
    entries: tuple[NewEntry, ...]


class _Sent(Struct):
    """One entry of the document: where it stands, as sent, as parsed or sketched."""

    path: Path
    raw: Any
    entry: Any  # a model, a sketch, or None
    arrival: int
    digest: str
    parsed: bool


def digest_of(sent: Any) -> str:
    """A digest that is equal for equal content, numbers compared as numbers."""
    return sha256(strict_json.canonical(sent)).hexdigest()


def review_course_file(sent: Any, known: Known, now: datetime) -> Reviewed:
    """Accept a course file for a new or a known course; raises `Refused` with every fault."""
    if not isinstance(sent, dict):
        raise Refused([Fault((), "must be an object with course and entries")])
    faults = [Fault((name,), "is missing") for name in ("course", "entries") if name not in sent]
    faults += [Fault((name,), "is not a name of this format") for name in sent if name not in ("course", "entries")]
    rows = sent.get("entries", [])
    if not isinstance(rows, list):
        faults.append(Fault(("entries",), "must be a list"))
        rows = []
    entries = [(("entries", position), row) for position, row in enumerate(rows)]
    return _review(sent.get("course"), entries, known, now, faults)


def review_entries(sent: Any, known: Known, now: datetime) -> Reviewed:
    """Accept one entry or a list for a known course; raises `Refused` with every fault."""
    rows: list[tuple[Path, Any]] = (
        [((position,), row) for position, row in enumerate(sent)] if isinstance(sent, list) else [((), sent)]
    )
    return _review(None, rows, known, now, [])


def _review(
    sent_course: Any, rows: Sequence[tuple[Path, Any]], known: Known, now: datetime, faults: list[Fault]
) -> Reviewed:
    course: Any = known.course
    readable: Any = known.course
    if sent_course is not None:
        course = read_course(sent_course)
        readable = sketch_course(sent_course) if isinstance(course, list) else course
        faults += _course_faults(course, readable, known, now)
    sent = list(_new_rows(rows, known, faults))
    for row in sent:
        if row.entry is not None:
            faults += [Fault((*row.path, *path), why) for path, why in entry_faults(row.entry, readable, now)]
    faults += _correction_faults(sent, known)
    faults += _faults_across(sent, known, {fault.path for fault in faults})
    if faults:
        raise Refused(faults)
    return _accepted(course, sent_course, sent, known)


def _course_faults(course: Any, readable: Any, known: Known, now: datetime) -> Iterator[Fault]:
    found = course if isinstance(course, list) else []
    for fault in found:
        yield fault.beneath(("course",))
    for path, why in opening_faults(readable, now):
        yield Fault(("course", *path), why)
    if known.course is not None and not found:
        differing = [
            words
            for words, same in (
                ("patient identifier", course.patient.identifier == known.course.patient.identifier),
                ("wound", course.wound == known.course.wound),
                ("opening time", course.opened_at == known.course.opened_at),
            )
            if not same
        ]
        if differing:
            detail = f"this course was charted with another {' and '.join(differing)}"
            yield Fault(("course", "course_id"), detail, conflict=True)


def _new_rows(rows: Iterable[tuple[Path, Any]], known: Known, faults: list[Fault]) -> Iterator[_Sent]:
    """The rows that are no repeats; their own faults and conflicts are added to `faults`."""
    digests = dict(known.digests)
    arrival = max((charted.arrival for charted in known.entries), default=0)
    for path, raw in rows:
        entry_id = raw.get("entry_id") if isinstance(raw, dict) else None
        digest = digest_of(raw)
        if isinstance(entry_id, str) and entry_id in digests:
            if digests[entry_id] != digest:
                detail = f"the entry {entry_id[:64]} was charted with other content"
                faults.append(Fault((*path, "entry_id"), detail, conflict=True))
                faults += _own_faults(path, read_entry(raw))
            continue
        if isinstance(entry_id, str):
            digests[entry_id] = digest
        entry = read_entry(raw)
        faults += _own_faults(path, entry)
        arrival += 1
        parsed = not isinstance(entry, list)
        yield _Sent(path, raw, entry if parsed else sketch_entry(raw), arrival, digest, parsed)


def _own_faults(path: Path, entry: Any) -> list[Fault]:
    return [fault.beneath(path) for fault in entry] if isinstance(entry, list) else []


def _correction_faults(sent: Sequence[_Sent], known: Known) -> Iterator[Fault]:
    """Corrections whose target is missing, cannot be corrected, or was retracted."""
    targets: dict[str, Any] = {charted.entry.entry_id: charted.entry for charted in known.entries}
    targets |= {row.entry.entry_id: row.entry for row in sent if row.entry is not None and row.entry.entry_id}
    retracted = {c.entry.retracts: None for c in known.entries if c.entry.kind == "retraction"}
    corrections = [row for row in sent if row.entry is not None and row.entry.kind in CORRECTIONS]
    in_document: dict[str, _Sent] = {}
    for row in corrections:
        if row.entry.kind == "retraction" and row.entry.retracts is not None:
            if row.entry.retracts in retracted or row.entry.retracts in in_document:
                yield Fault((*row.path, "retracts"), f"the entry {row.entry.retracts[:64]} is already retracted")
            in_document.setdefault(row.entry.retracts, row)
    for row in corrections:
        member = "amends" if row.entry.kind == "amendment" else "retracts"
        target_id = getattr(row.entry, member)
        if target_id is None:
            continue
        detail = _target_fault(row, targets.get(target_id), target_id in retracted, in_document.get(target_id))
        if detail:
            yield Fault((*row.path, member), detail)
        elif row.entry.kind == "amendment" and row.entry.entry is not None:
            original = targets[target_id]
            if row.entry.entry.kind != original.kind:
                yield Fault((*row.path, "entry", "kind"), f"must be {original.kind}, the kind of the entry it amends")


def _target_fault(row: _Sent, target: Any, retracted: bool, retraction: _Sent | None) -> str | None:
    if target is None:
        return "no such entry in this course"
    amending = row.entry.kind == "amendment"
    if target.kind == "retraction" or (amending and target.kind == "amendment"):
        return f"{'an amendment' if target.kind == 'amendment' else 'a retraction'} cannot be corrected this way"
    if amending and retracted:
        return "the entry is retracted"
    if amending and retraction is not None and _later(row, retraction):
        return "the entry is retracted"
    return None


def _later(row: _Sent, other: _Sent) -> bool:
    if None in (row.entry.at, other.entry.at):
        return False
    return bool((row.entry.at, row.arrival) > (other.entry.at, other.arrival))


def _faults_across(sent: Sequence[_Sent], known: Known, faulty: set[Path]) -> Iterator[Fault]:
    """Rules across entries for the course as it would stand; each fault lies with what brings it about."""
    usable = [row for row in sent if _usable(row, faulty)]
    broken = set(_broken(usable, known))
    if not broken:
        return
    if any(row not in usable and row.entry is not None and row.entry.kind == "installation" for row in sent):
        broken = {fault for fault in broken if fault.path != ("at",)}  # the installation that cannot be read may be it
    plain = [row for row in usable if row.entry.kind not in CORRECTIONS]
    before_corrections = set(_broken(plain, known)) if len(plain) < len(usable) else broken
    for fault in sorted(broken):
        yield from _place(fault, usable, known, fault in before_corrections)


def _usable(row: _Sent, faulty: set[Path]) -> bool:
    entry = row.entry
    if entry is None or entry.entry_id is None or entry.at is None:
        return False
    if entry.kind not in CORRECTIONS:
        return True
    blocked = any((*row.path, member) in faulty for member in ("amends", "retracts", "entry"))
    blocked = blocked or any(path[: len(row.path) + 1] == (*row.path, "entry") for path in faulty)
    return not blocked and (entry.kind == "retraction" or (entry.entry is not None and entry.entry.at is not None))


def _broken(rows: Sequence[_Sent], known: Known) -> Sequence[Broken]:
    new = [Charted(row.entry, row.arrival) for row in rows]
    judged = None if known.judged is None else known.judged.then(new)
    return course_faults(standing([*known.entries, *new])) if judged is None else judged.across.broken


def _place(fault: Broken, rows: Sequence[_Sent], known: Known, without_corrections: bool) -> Iterator[Fault]:
    """Where in the document a broken rule belongs."""
    own = [row for row in rows if row.entry.entry_id == fault.entry_id]
    amending = [row for row in rows if row.entry.kind == "amendment" and row.entry.amends == fault.entry_id]
    if amending:
        last = max(amending, key=lambda row: (row.entry.at, row.arrival))
        yield Fault((*last.path, "entry", *fault.path), fault.detail)
        return
    if own and without_corrections:
        yield Fault((*own[0].path, *fault.path), fault.detail)
        return
    for row in _causes(fault, rows, known, corrections=not without_corrections):
        member = {"amendment": "amends", "retraction": "retracts"}.get(row.entry.kind, "at")
        yield Fault((*row.path, member), f"afterwards the entry {fault.entry_id} breaks a rule: {fault.detail}")


def _causes(fault: Broken, rows: Sequence[_Sent], known: Known, corrections: bool) -> list[_Sent]:
    """The entries of the document without any one of which the rule would hold; failing that, all of them."""
    suspects = [row for row in rows if (row.entry.kind in CORRECTIONS) == corrections]
    culprits = [
        row for row in suspects if fault not in set(_broken([other for other in rows if other is not row], known))
    ]
    return culprits or suspects


def _accepted(course: Course, sent_course: Any, sent: Sequence[_Sent], known: Known) -> Reviewed:
    digest = known.course_digest if sent_course is None else digest_of(sent_course)
    return Reviewed(
        course=course,
        course_body=None if sent_course is None else strict_json.write(sent_course),
        course_digest=digest,
        course_is_new=known.course is None,
        course_changed=known.course is not None and digest != known.course_digest,
        entries=tuple(_new_entry(row) for row in sent),
    )


def _new_entry(row: _Sent) -> NewEntry:
    return NewEntry(Charted(row.entry, row.arrival), strict_json.write(row.raw), row.digest)


def entry_of(body: bytes) -> Entry:
    """An entry as stored, parsed again."""
    return entry_from(strict_json.read(body))


def entry_from(sent: Any) -> Entry:
    """An entry that was accepted before, parsed again. Raises `Refused` should it no longer be."""
    entry = read_entry(sent)
    if isinstance(entry, list):
        raise Refused(entry)
    return entry
