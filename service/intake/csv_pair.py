"""The long CSV of the intake contract and the CSV of its courses: read into course files.

Readings: one a row, columns `READING_COLUMNS` in any order; measures as in `service.intake.csv_measures`. The rows of
an entry repeat its kind, time and performer. A measure of a gap names its `station_mm`, one of a band its `band` (of
an installation its `station_mm` too); a list such as `skin` is several rows. Courses: one a row, `COURSE_COLUMNS`.
An empty cell of a course is a member left out. Commas, UTF-8, a byte order mark is ignored; the line ends of a cell
become newlines.

A value that does not read as its measure should (text where a number belongs) stays in the course file as it is, so
that the review of the contract refuses it together with all other faults; `CsvCourse.where` names its cell.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any

from service import strict_json
from service.intake.csv_measures import (
    AMENDED,
    AMENDED_PREFIX,
    COURSE_COLUMNS,
    MEASURES,
    READING_COLUMNS,
    REQUIRED_COURSE_COLUMNS,
    STATION_OF_BAND,
    Measure,
)
from service.intake.csv_rows import CsvUnreadable, Row, read_rows
from service.intake.faults import Path as Pointer

GIVEN_SEPARATOR = ";"
FRAME = {"kind": ("kind",), "at": ("at",)} | {
    f"performer_{name}": ("performer", "identifier", name) for name in ("system", "value")
}


@dataclass(slots=True)
class CsvCourse:
    """A course put together from its rows: the course file, what was wrong with the rows, where each member stood."""

    course_id: str
    raw: dict[str, Any] | None
    faults: list[str] = field(default_factory=list)
    places: dict[Pointer, str] = field(default_factory=dict)
    course_rows: Sequence[Row] = ()
    rows: Sequence[Row] = ()

    def where(self, path: Pointer) -> str:
        """The cell of a member of the course file, or that of the nearest member around it."""
        while path not in self.places and path:
            path = path[:-1]
        return self.places.get(path, f"course {self.course_id}")


def read_csv_pair(readings: Path, courses: Path) -> Iterator[CsvCourse]:
    """The courses of a pair, in the order of the readings, then those without any.

    Holds one course at a time where the rows of each course stand together, else all of them. Raises `CsvUnreadable`
    before the first course.
    """
    by_id: dict[str, list[Row]] = {}
    faults: list[str] = []
    for row in _attempted(read_rows(courses, COURSE_COLUMNS, REQUIRED_COURSE_COLUMNS), faults):
        by_id.setdefault(_course_id(row), []).append(row)
    together = True
    seen: set[str] = set()
    for course_id, _ in groupby(_attempted(_readings(readings), faults), _course_id):
        together = together and course_id not in seen
        seen.add(course_id)
    if faults:
        raise CsvUnreadable(faults)
    for course_id, rows in _by_course(_readings(readings), together):
        yield put_together(course_id, by_id.get(course_id, []), rows)
    for course_id, course_rows in by_id.items():
        if course_id not in seen:
            yield put_together(course_id, course_rows, [])


def _attempted(rows: Iterator[Row], faults: list[str]) -> Iterator[Row]:
    """The rows of a file as far as it can be read; why it cannot goes to `faults`."""
    try:
        yield from rows
    except CsvUnreadable as unreadable:
        faults.extend(unreadable.faults)


def _readings(path: Path) -> Iterator[Row]:
    return read_rows(path, READING_COLUMNS, READING_COLUMNS)


def _course_id(row: Row) -> str:
    return row.cells["course_id"]


def _by_course(rows: Iterator[Row], together: bool) -> Iterator[tuple[str, list[Row]]]:
    if together:
        yield from ((course_id, list(of_course)) for course_id, of_course in groupby(rows, _course_id))
        return
    courses: dict[str, list[Row]] = {}
    for row in rows:
        courses.setdefault(_course_id(row), []).append(row)
    yield from courses.items()


def put_together(course_id: str, course_rows: Sequence[Row], rows: Sequence[Row]) -> CsvCourse:
    """The course file of these rows, with every fault of the rows themselves."""
    built = CsvCourse(course_id, None, course_rows=course_rows, rows=rows)
    _row_faults(built)
    entries: dict[str, list[Row]] = {}
    for row in rows:
        entries.setdefault(row.cells["entry_id"], []).append(row)
    raw = {
        "course": _course_members(built, course_rows[0]) if course_rows else {},
        "entries": [_entry(built, position, of_entry) for position, of_entry in enumerate(entries.values())],
    }
    if course_rows and not any(_undecodable(cell) for row in (*course_rows, *rows) for cell in row.as_sent):
        built.raw = raw
    return built


def _row_faults(built: CsvCourse) -> None:
    for row in (*built.course_rows, *built.rows):
        if len(row.as_sent) != row.width:
            built.faults.append(f"{row.file} row {row.number}: has {len(row.as_sent)} cells, the header {row.width}")
        for column, cell in row.cells.items():
            if _undecodable(cell):
                built.faults.append(f"{row.place(column)}: is not UTF-8")
    if not built.course_rows:
        built.faults.append(f"{built.rows[0].place('course_id')}: is not in the file of courses")
    for again in built.course_rows[1:]:
        built.faults.append(f"{again.place('course_id')}: stands in row {built.course_rows[0].number} too")


def _undecodable(cell: str) -> bool:
    return not cell.isascii() and any("\udc80" <= character <= "\udcff" for character in cell)


def _course_members(built: CsvCourse, row: Row) -> dict[str, Any]:
    course: dict[str, Any] = {}
    built.places[("course",)] = f"{row.file} row {row.number}"
    for column, measure in COURSE_COLUMNS.items():
        built.places[("course", *measure.path)] = row.place(column)
        cell = row.cells.get(column, "")
        if cell:
            value = cell.split(GIVEN_SEPARATOR) if measure.repeats == "list" else _value(cell, measure)
            _set(course, measure.path, value)
    return course


@dataclass(slots=True)
class _Target:
    """An entry being put together (or the entry inside of an amendment)."""

    members: dict[str, Any]
    base: Pointer
    kind: str
    measures: Mapping[str, Measure]
    bands: dict[str, int] = field(default_factory=dict)  # position of a band by its cell


def _entry(built: CsvCourse, position: int, rows: list[Row]) -> dict[str, Any]:
    base: Pointer = ("entries", position)
    first = rows[0]
    kind = first.cells["kind"]
    target = _Target({}, base, kind, MEASURES.get(kind, {}))
    built.places |= {base: f"{first.file} row {first.number}", (*base, "entry_id"): first.place("entry_id")}
    for column, path in {"entry_id": ("entry_id",), **FRAME}.items():
        built.places[(*base, *path)] = first.place(column)
        if first.cells[column]:
            _set(target.members, path, first.cells[column])
        for row in rows:
            if row.cells[column] != first.cells[column]:
                built.faults.append(f"{row.place(column)}: differs from row {first.number} of the same entry")
    inner = _amended(target, rows)
    for row in rows:
        name = row.cells["measure"]
        if inner is not None and name.startswith(AMENDED_PREFIX):
            _place(built, inner, name.removeprefix(AMENDED_PREFIX), row)
        else:
            _place(built, target, name, row)
    return target.members


def _amended(target: _Target, rows: Sequence[Row]) -> _Target | None:
    """The entry inside of an amendment, when any row speaks of it."""
    if target.kind != "amendment" or not any(row.cells["measure"].startswith(AMENDED_PREFIX) for row in rows):
        return None
    said = {row.cells["measure"]: row.cells["value"] for row in rows}
    kind = said.get(f"{AMENDED_PREFIX}kind", "")
    members = {"entry_id": said["amends"]} if "amends" in said else {}
    target.members["entry"] = members
    return _Target(members, (*target.base, "entry"), kind, AMENDED | MEASURES.get(kind, {}))


def _place(built: CsvCourse, target: _Target, name: str, row: Row) -> None:
    measure = target.measures.get(name)
    if measure is None:
        if target.kind in MEASURES:  # an unknown kind is a fault of its own
            built.faults.append(f"{row.place('measure')}: {name or 'nothing'!r} is no measure of {target.kind}")
        return
    used = {"gap": ("station_mm",), "band": ("band", "station_mm") if target.kind in STATION_OF_BAND else ("band",)}
    for column in ("station_mm", "band"):
        if row.cells[column] and column not in used.get(measure.repeats, ()):
            built.faults.append(f"{row.place(column)}: must be empty for {name} of {target.kind}")
    path, members = _home(built, target, measure, row)
    built.places[(*path, *measure.path)] = row.place("value")
    value = _value(row.cells["value"], measure)
    if measure.repeats == "list":
        listed = target.members.setdefault(measure.path[0], [])
        built.places[(*path, *measure.path, len(listed))] = row.place("value")
        listed.append(value)
    elif not _set(members, measure.path, value):
        built.faults.append(f"{row.place('measure')}: {name} stands twice in this entry")


def _home(built: CsvCourse, target: _Target, measure: Measure, row: Row) -> tuple[Pointer, dict[str, Any]]:
    """Where a measure goes: the entry itself, a new gap, or its band."""
    if measure.repeats not in ("gap", "band"):
        return target.base, target.members
    member = "gaps" if measure.repeats == "gap" else "bands"
    listed: list[dict[str, Any]] = target.members.setdefault(member, [])
    position = len(listed) if member == "gaps" else target.bands.setdefault(row.cells["band"].strip(), len(listed))
    path: Pointer = (*target.base, member, position)
    if position == len(listed):
        listed.append({})
        built.places[path] = f"{row.file} row {row.number}"
    for column in ("band",) if member == "bands" else ():
        built.places.setdefault((*path, column), row.place(column))
        _set(listed[position], (column,), _number(row.cells[column]) if row.cells[column] else None)
    if member == "gaps" or target.kind in STATION_OF_BAND:
        built.places.setdefault((*path, "station_mm"), row.place("station_mm"))
        station = _number(row.cells["station_mm"]) if row.cells["station_mm"] else None
        if not _set(listed[position], ("station_mm",), station) and listed[position]["station_mm"] != station:
            built.faults.append(f"{row.place('station_mm')}: differs from an earlier row of the same band")
    return path, listed[position]


def _set(members: dict[str, Any], path: Sequence[str], value: Any) -> bool:
    """Set a member, unless it stands already or there is nothing to set."""
    for name in path[:-1]:
        members = members.setdefault(name, {})
    if value is None or path[-1] in members:
        return value is None
    members[path[-1]] = value
    return True


def _value(cell: str, measure: Measure) -> Any:
    if measure.reads == "number":
        return _number(cell)
    if measure.reads == "truth":
        return {"true": True, "false": False}.get(cell.strip().lower(), cell)
    return cell


def _number(cell: str) -> Any:
    """The number as JSON would write it, digits kept; anything else stays text and is refused by the review."""
    try:
        number = strict_json.read(cell.strip().encode())
    except (strict_json.Unreadable, UnicodeEncodeError):
        return cell
    return cell if isinstance(number, bool | str | dict | list | None) else number
