"""Files of a backfill as documents, one course file each: JSON, JSON Lines, or the CSV pair of the contract.

JSON Lines are read a line at a time, and a CSV pair a course at a time, so that memory does not grow with the file.
What cannot be read is a document too, with its faults and without `raw`: nothing is passed over in silence.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service import strict_json
from service.intake.csv_pair import CsvCourse, read_csv_pair
from service.intake.csv_rows import CsvUnreadable
from service.intake.faults import Fault

LARGEST_COURSE_FILE = 16 * 1024 * 1024  # bytes; over the wire 1 MiB is the limit, a file may hold a longer course
JSON_LINES = (".jsonl", ".ndjson")
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Document:
    """One course file as it was found.

    `source` is the file, or file:line, or file and course. With `faults` it must not be loaded, but `raw`, where
    there is one, can still be reviewed, so that all faults are named together. `original` is what a rejects file
    keeps: the bytes, or the rows of the pair; None when it is too large or has no course.
    """

    source: str
    raw: Any | None
    faults: list[Fault] = field(default_factory=list)
    original: bytes | CsvCourse | None = None

    def reasons(self, faults: Iterable[Fault]) -> list[str]:
        """Faults, its own or those of a review, in words with their place: a pointer, or file, row and column."""
        return [f"{self._place(fault)}: {fault.detail}" for fault in faults]

    def _place(self, fault: Fault) -> str:
        if fault.path and isinstance(self.original, CsvCourse):
            return self.original.where(fault.path)
        return f"{self.source} {fault.pointer}".rstrip()


def documents(path: Path, courses: Path | None = None) -> Iterator[Document]:
    """The course files of a file, in its order; for a CSV file of readings `courses` is the other half of the pair."""
    ending = path.suffix.lower()
    if ending in JSON_LINES:
        yield from _line_documents(path)
    elif ending == ".json":
        yield _whole_document(path)
    elif ending != ".csv":
        yield Document(path.name, None, [Fault((), f"is none of .json, .csv, {', '.join(JSON_LINES)}")])
    elif courses is None:
        yield Document(path.name, None, [Fault((), "is half of a CSV pair; name its file of courses too")])
    else:
        yield from _csv_documents(path, courses)


def _whole_document(path: Path) -> Document:
    with path.open("rb") as file:
        content = file.read(LARGEST_COURSE_FILE + 1)
    return _document(path.name, content)


def _line_documents(path: Path) -> Iterator[Document]:
    with path.open("rb") as file:
        number = 0
        while line := file.readline(LARGEST_COURSE_FILE + 1):
            number += 1
            rest = line
            while len(rest) > LARGEST_COURSE_FILE and not rest.endswith(b"\n"):
                rest = file.readline(LARGEST_COURSE_FILE + 1)  # the remainder of a line that is too long
            if line.strip():
                yield _document(f"{path.name}:{number}", line)


def _document(source: str, content: bytes) -> Document:
    if len(content) > LARGEST_COURSE_FILE:
        return Document(source, None, [Fault((), f"larger than {LARGEST_COURSE_FILE} bytes")])
    try:
        raw = strict_json.read(content.removeprefix(BYTE_ORDER_MARK).rstrip(b"\r\n"), largest=LARGEST_COURSE_FILE)
    except strict_json.Unreadable as unreadable:
        return Document(source, None, [Fault((), str(unreadable))], content)
    return Document(source, raw, original=content)


def _csv_documents(readings: Path, courses: Path) -> Iterator[Document]:
    try:
        for course in read_csv_pair(readings, courses):
            faults = [Fault((), detail) for detail in course.faults]  # each names its row and column itself
            yield Document(f"{readings.name} course {course.course_id}", course.raw, faults, course)
    except CsvUnreadable as unreadable:
        yield Document(readings.name, None, [Fault((), detail) for detail in unreadable.faults])
