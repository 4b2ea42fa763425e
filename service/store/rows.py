"""What goes into the store and what comes out of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.search.criteria import Cursor
from service.search.values import IndexValues


class CourseRow(NamedTuple):
    """A course as it stands. Times in microseconds since 1970 UTC; `overdue_shown`: its resources say it is overdue."""

    course_id: str
    header: bytes
    digest: bytes
    patient_system: str
    patient_value: str
    patient_id: str
    opened_at: int
    state: str
    due_at: int | None
    overdue_shown: bool
    revision: int
    received_at: int


class EntryRow(NamedTuple):
    """An entry as charted; `arrival` counts from 1 within the course and is given by the store."""

    entry_id: str
    at: int
    kind: str
    body: bytes
    digest: bytes
    received_at: int
    arrival: int = 0


@dataclass(frozen=True, slots=True)
class Draft:
    """A resource to be stored.

    `content` is JSON that begins with `{"resourceType":"T","id":"i","meta":{` and has neither versionId nor
    lastUpdated. `patient` is the id of the Patient it belongs to where its own elements do not say so (Provenance).
    `course_id` is None for what several courses share (Patient, Encounter).
    """

    type: str
    id: str
    course_id: str | None
    entry_id: str | None
    content: bytes
    values: IndexValues
    patient: str | None = None


class Saved(NamedTuple):
    """A draft after saving: `changed` says whether a new version was made; `body` are the bytes served from now on."""

    type: str
    id: str
    version: int
    changed: bool
    body: bytes


class Written(NamedTuple):
    """A version that a write made; `patient` is the id of the Patient it belongs to, empty for nobody."""

    type: str
    id: str
    version: int
    patient: str


class Current(NamedTuple):
    """Version and content digest of a current resource."""

    version: int
    digest: bytes


class Stored(NamedTuple):
    """One version of a resource; `body` is None where the version is its deletion."""

    type: str
    id: str
    version: int
    last_updated: int
    body: bytes | None


class Page(NamedTuple):
    """Rows of one page; `next` is where the following page begins after; `total` is None where it was not counted.

    `included` travels beside the rows and is not counted.
    """

    rows: Sequence[Stored]
    next: Cursor | None
    total: int | None
    included: Sequence[Stored] = ()
