"""What a backfill refused, kept beside the input in the form of the input, to be corrected and loaded again.

`courses.jsonl` gets `courses.rejects.jsonl` with the refused lines as they were sent, and `courses.rejects.txt` with
the reasons; a CSV pair gets a pair. An older rejects file is never overwritten (it may hold somebody's corrections):
the next is `courses.rejects.2.jsonl`. The files hold what the input held about patients and are readable by their
owner alone.
"""

import csv
import os
import re
from collections.abc import Iterable, Sequence
from io import BufferedWriter, StringIO
from itertools import count
from pathlib import Path
from types import TracebackType

from service.intake.backfill import Document
from service.intake.csv_pair import CsvCourse
from service.intake.csv_rows import Row, header_of
from service.intake.faults import Fault

EARLIER = re.compile(r"\.rejects(\.\d+)?$")


class Rejects:
    """The rejects of one file, or of a CSV pair. No file is made before the first refusal; a context manager."""

    def __init__(self, path: Path, courses: Path | None = None) -> None:
        self._path = path
        self._courses = courses if path.suffix.lower() == ".csv" else None
        self._names: dict[str, Path] = {}
        self._files: dict[str, BufferedWriter] = {}
        self.refused = 0

    @property
    def paths(self) -> tuple[Path, ...]:
        """The files written: what was refused, and the reasons."""
        return tuple(Path(file.name) for file in self._files.values())

    def add(self, document: Document, faults: Iterable[Fault]) -> None:
        """Keep a refused document with the reasons."""
        self.refused += 1
        self._names = self._names or self._free_names()
        lines = [document.source, f"  {self._keep(document)}", *(f"  {why}" for why in document.reasons(faults)), "\n"]
        self._file("reasons").write("\n".join(lines).encode(errors="backslashreplace"))

    def close(self) -> None:
        """Everything refused is in the files."""
        for file in self._files.values():
            file.close()

    def __enter__(self) -> "Rejects":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _free_names(self) -> dict[str, Path]:
        """Names with the lowest number at which none of the files is there."""
        wanted = {"refused": self._path, "reasons": self._path.with_suffix(".txt")}
        if self._courses is not None:
            wanted["courses"] = self._courses
        numbered = ({role: _beside(path, number) for role, path in wanted.items()} for number in count(1))
        return next(names for names in numbered if not any(path.exists() for path in names.values()))

    def _file(self, role: str) -> BufferedWriter:
        if role not in self._files:
            self._files[role] = _create(self._names[role])
        return self._files[role]

    def _keep(self, document: Document) -> str:
        if document.original is None:
            return "not copied: correct it in the input"
        kept = self._names["refused"].name
        if isinstance(document.original, CsvCourse):
            self._write_rows("refused", document.original.rows, self._path)
            self._write_rows("courses", document.original.course_rows, self._courses)
            return f"its rows are in {kept} and {self._names['courses'].name}"
        self._file("refused").write(document.original.rstrip(b"\r\n") + b"\n")
        return f"kept in {kept}"

    def _write_rows(self, role: str, rows: Sequence[Row], source: Path | None) -> None:
        if role not in self._files and source is not None:
            self._file(role).write(_csv_line(header_of(source)))
        for row in rows:
            self._file(role).write(_csv_line(row.as_sent))


def _beside(path: Path, number: int) -> Path:
    again = "" if number == 1 else f".{number}"
    return path.with_name(f"{EARLIER.sub('', path.stem)}.rejects{again}{path.suffix}")


def _create(path: Path) -> BufferedWriter:
    return open(path, "xb", opener=lambda name, flags: os.open(name, flags, 0o600))


def _csv_line(cells: Sequence[str]) -> bytes:
    line = StringIO()
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue().encode(errors="surrogateescape")
