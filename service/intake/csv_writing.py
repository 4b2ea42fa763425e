"""Course files written as the CSV of courses and the long CSV of readings, which `csv_pair` reads again."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from io import StringIO
from typing import Any

from service import strict_json
from service.intake.csv_measures import AMENDED, AMENDED_PREFIX, COURSE_COLUMNS, MEASURES, READING_COLUMNS, Measure
from service.intake.csv_pair import FRAME, GIVEN_SEPARATOR, put_together
from service.intake.csv_rows import Row


def write_csv_pair(course_files: Iterable[Mapping[str, Any]]) -> tuple[str, str]:
    """The CSV of courses and the CSV of readings, digits kept.

    Raises ValueError for a course file that the CSV cannot express without loss (one that breaks the contract, or a
    given name with a semicolon).
    """
    courses, readings = StringIO(), StringIO()
    of_courses, of_readings = csv.writer(courses, lineterminator="\n"), csv.writer(readings, lineterminator="\n")
    of_courses.writerow(COURSE_COLUMNS)
    of_readings.writerow(READING_COLUMNS)
    for number, sent in enumerate(course_files, 1):
        course_row = _course_row(sent["course"])
        rows = [row for entry in sent["entries"] for row in _entry_rows(course_row[0], entry)]
        if not _lossless(sent, course_row, rows):
            raise ValueError(f"course file {number} cannot be written as CSV without loss")
        of_courses.writerow(course_row)
        of_readings.writerows(rows)
    return courses.getvalue(), readings.getvalue()


def _lossless(sent: Mapping[str, Any], course_row: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    first = Row("", 1, dict(zip(COURSE_COLUMNS, course_row, strict=True)), tuple(course_row), len(course_row))
    read = [Row("", 1, dict(zip(READING_COLUMNS, row, strict=True)), tuple(row), len(row)) for row in rows]
    again = put_together(course_row[0], [first], read)
    return not again.faults and strict_json.canonical(again.raw) == strict_json.canonical(dict(sent))


def _course_row(course: Mapping[str, Any]) -> list[str]:
    return [_cell(_get(course, measure.path)) for measure in COURSE_COLUMNS.values()]


def _entry_rows(course_id: str, entry: Mapping[str, Any]) -> Iterator[list[str]]:
    frame = [course_id, entry["entry_id"], *(_cell(_get(entry, path)) for path in FRAME.values())]
    for cells in _measured(entry, MEASURES[entry["kind"]]):
        yield [*frame, *cells]
    inner = entry.get("entry")
    if inner is not None:
        for measure, *cells in _measured(inner, AMENDED | MEASURES[inner["kind"]]):
            yield [*frame, AMENDED_PREFIX + measure, *cells]


def _measured(entry: Mapping[str, Any], measures: Mapping[str, Measure]) -> Iterator[list[str]]:
    """measure, station_mm, band and value of each row."""
    for name, measure in measures.items():
        if measure.repeats == "gap":
            for gap in entry.get("gaps", ()):
                yield [name, _cell(gap.get("station_mm")), "", _cell(gap.get(name))]
        elif measure.repeats != "band":
            value = _get(entry, measure.path)
            values = value if measure.repeats == "list" and value is not None else [value]
            yield from ([name, "", "", _cell(one)] for one in values if one is not None)
    of_band = [name for name, measure in measures.items() if measure.repeats == "band"]
    for band in entry.get("bands", ()) if of_band else ():
        for name in (name for name in of_band if name in band):
            yield [name, _cell(band.get("station_mm")), _cell(band.get("band")), _cell(band[name])]


def _get(members: Any, path: Sequence[str]) -> Any:
    for name in path:
        members = members.get(name) if isinstance(members, Mapping) else None
    return members


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return GIVEN_SEPARATOR.join(value) if isinstance(value, list) else str(value)
