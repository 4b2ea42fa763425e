"""The files under `mappings/` as rows, each row knowing its place, and all faults of all files in one refusal."""

import csv
import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "systems.csv": ("key", "url", "name", "check_digit", "notice"),
    "concepts.csv": ("key", "kind", "code", "text", "definition"),
    "codings.csv": (
        "concept", "system", "code", "display", "equivalence", "grade", "gps", "source", "comment", "author",
        "reviewer",
    ),
    "hl7.csv": ("set", "system", "code", "display", "source"),
    "units.csv": ("key", "unit", "system", "code", "use"),
    "absent.csv": ("reason", "code", "text"),
    "alerts.csv": ("concept", "severity", "category"),
    "formulas.csv": ("concept", "version", "text"),
    "extensions.csv": ("key", "url", "context", "value", "text"),
    "profiles.csv": ("key", "type", "title", "description"),
    "profile-elements.csv": ("profile", "path", "min", "max", "pattern", "comment"),
    "profile-invariants.csv": ("profile", "key", "severity", "human", "expression"),
    "questionnaire.csv": (
        "questionnaire", "link_id", "type", "required", "repeats", "text", "member", "concept", "options",
    ),
}  # fmt: skip
NO_PART_OF_THE_VERSION = frozenset({"questionnaire.csv"})  # words questions, decides no resource made from readings
CANONICAL = "canonical.toml"
CANONICAL_KEYS = (
    "base", "structure_definitions", "fhir_version", "publisher", "version", "date", "loinc_version",
    "snomed_ct_version",
)  # fmt: skip


class Fault(Struct, frozen=True):
    """What is wrong in a mapping table and where; row 1 is the row of column names, row 0 the file as a whole."""

    file: str
    row: int
    why: str

    def __str__(self) -> str:
        return f"{self.file} row {self.row}: {self.why}" if self.row else f"{self.file}: {self.why}"


class TerminologyFault(ValueError):
    """The mapping tables are refused; `faults` holds every one that was found."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class Row(dict[str, str]):
    """One row by column name, with the file and row number it came from."""

    __slots__ = ("file", "number")

    def __init__(self, file: str, number: int, cells: Iterable[tuple[str, str]]) -> None:
        super().__init__(cells)
        self.file = file
        self.number = number

    def fault(self, why: str) -> Fault:
        """A fault at this row."""
        return Fault(self.file, self.number, why)


class Tables(Struct, frozen=True):
    """Everything read from one folder, unchecked against itself; `version` is a digest of what decides resources."""

    rows: Mapping[str, list[Row]]
    canonical: Mapping[str, str]
    notices: Mapping[str, str]
    version: str


def folder_of_tables() -> Path:
    """`service/mappings` inside an installed package, else `mappings/` at the root of the repository."""
    package = Path(__file__).resolve().parent.parent
    shipped = package / "mappings"
    return shipped if shipped.is_dir() else package.parent / "mappings"


def read_tables(folder: Path) -> Tables:
    """Read every table. Raises TerminologyFault with all faults of form: files, columns, cells."""
    faults: list[Fault] = []
    digest = hashlib.sha256()
    rows = {
        name: _rows(folder, name, _no_digest if name in NO_PART_OF_THE_VERSION else digest.update, faults)
        for name in COLUMNS
    }
    canonical = _canonical(folder, digest.update, faults)
    notices = {file.name: file.read_text("utf-8").strip() for file in sorted(folder.glob("notices/*.txt"))}
    if faults:
        raise TerminologyFault(faults)
    return Tables(rows, canonical, notices, digest.hexdigest()[:12])


def _no_digest(_: bytes) -> None:
    """For a table that is no part of the version."""


def _text(folder: Path, name: str, digest: Any, faults: list[Fault]) -> str | None:
    try:
        raw = (folder / name).read_bytes()
        text = raw.decode("utf-8")
    except FileNotFoundError:
        faults.append(Fault(name, 0, "is missing"))
        return None
    except UnicodeDecodeError as fault:
        faults.append(Fault(name, 0, f"is not UTF-8 at byte {fault.start}"))
        return None
    digest(name.encode() + b"\0" + text.replace("\r\n", "\n").encode() + b"\0")
    return text.replace("\r\n", "\n")


def _rows(folder: Path, name: str, digest: Any, faults: list[Fault]) -> list[Row]:
    text = _text(folder, name, digest, faults)
    if text is None:
        return []
    lines = csv.reader(text.splitlines(keepends=True), strict=True)
    columns = COLUMNS[name]
    found: list[Row] = []
    try:
        if tuple(next(lines, ())) != columns:
            faults.append(Fault(name, 1, f"the columns must be {','.join(columns)}"))
            return []
        for number, cells in enumerate(lines, start=2):
            if not cells:
                continue
            if len(cells) != len(columns):
                faults.append(Fault(name, number, f"has {len(cells)} cells, expected {len(columns)}"))
            elif odd := [c for c, cell in zip(columns, cells, strict=True) if cell != cell.strip()]:
                faults.append(Fault(name, number, f"blanks around the text of {', '.join(odd)}"))
            else:
                found.append(Row(name, number, zip(columns, cells, strict=True)))
    except csv.Error as fault:
        faults.append(Fault(name, lines.line_num, f"is no CSV: {fault}"))
    return found


def _canonical(folder: Path, digest: Any, faults: list[Fault]) -> dict[str, str]:
    text = _text(folder, CANONICAL, digest, faults)
    if text is None:
        return {}
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        faults.append(Fault(CANONICAL, 0, f"is no TOML: {fault}"))
        return {}
    for key in CANONICAL_KEYS:
        if not isinstance(found.get(key), str):
            faults.append(Fault(CANONICAL, 0, f"{key} must be text"))
    for key in found.keys() - set(CANONICAL_KEYS):
        faults.append(Fault(CANONICAL, 0, f"{key} is not known"))
    if str(found.get("base", "")).endswith("/") or ":" not in str(found.get("base", "")):
        faults.append(Fault(CANONICAL, 0, "base must be an absolute URL without a slash at its end"))
    return found
