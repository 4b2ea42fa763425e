"""The long CSV of the intake contract, version 1 ("Files and the command line"): nothing lost, every fault placed."""

import json
import types
import typing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args, get_origin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from service import strict_json
from service.clinic.entries import Course
from service.intake import csv_pair
from service.intake.csv_measures import COURSE_COLUMNS, MEASURES, PERFORMER, READING_COLUMNS
from service.intake.csv_pair import CsvCourse, read_csv_pair
from service.intake.csv_rows import CsvUnreadable
from service.intake.csv_writing import write_csv_pair
from service.intake.faults import Refused
from service.intake.members import RECORDS
from service.intake.models import model_of
from service.intake.review import Known, review_course_file

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9][0-9]-*/course*.json"))
NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
HEADER = ",".join(READING_COLUMNS)
COURSES = (
    "course_id,patient_system,patient_value,cause,body_site,length_mm,reference_end,opened_at\n"
    "c1,https://ward.example/p,1,trauma,thigh,100,proximal,2025-05-01T08:00:00Z\n"
)
FRAME = "2025-05-01T09:00:00Z,https://ward.example/s,n1"
READ_AT_INSTALLATION = (
    "anchors_per_side,,,5",
    "anchor_interval_mm,,,10",
    "setback_mm,,,12",
    "gap_mm,50,,40",
    "rest_mark_mm,50,1,10",
    "mark_mm,50,1,18.0",
    "tail_mm,50,1,80",
)
INSTALLED = "\n".join(f"c1,e1,installation,{FRAME},{cells}" for cells in READ_AT_INSTALLATION)


def in_files(folder: Path, readings: str | bytes, courses: str | bytes = COURSES) -> tuple[Path, Path]:
    paths = folder / "readings.csv", folder / "courses.csv"
    for path, content in zip(paths, (readings, courses), strict=True):
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return paths


def read_one(folder: Path, *rows: str) -> CsvCourse:
    (course,) = read_csv_pair(*in_files(folder, "\n".join((HEADER, INSTALLED, *rows)) + "\n"))
    return course


def refusals(course: CsvCourse) -> list[str]:
    """What the review refuses, each with its cell."""
    with pytest.raises(Refused) as refused:
        review_course_file(course.raw, Known(), NOW)
    return [f"{course.where(fault.path)}: {fault.detail}" for fault in refused.value.faults]


def example_documents() -> list[dict[str, Any]]:
    return [strict_json.read(path.read_bytes()) for path in EXAMPLES]


def test_all_examples_go_through_the_csv_and_come_back_with_every_digit(tmp_path: Path) -> None:
    sent = example_documents()
    courses, readings = write_csv_pair(sent)
    back = list(read_csv_pair(*in_files(tmp_path, readings, courses)))
    assert [course.faults for course in back] == [[]] * len(sent)
    for course, original in zip(back, sent, strict=True):
        assert course.raw == original
        assert json.dumps(course.raw, sort_keys=True, default=str) == json.dumps(original, sort_keys=True, default=str)


def leaves(model: type[BaseModel], path: tuple[str, ...] = ()) -> set[tuple[str, ...]]:
    """Every member of a model that holds a value, lists of values included."""
    found = set()
    for name, described in model.model_fields.items():
        inner = next(iter(models_in(described.annotation)), None)
        found |= leaves(inner, (*path, name)) if inner is not None else {(*path, name)}
    return found


def models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if get_origin(annotation) in (typing.Union, types.UnionType, list, typing.Annotated):
        return [model for part in get_args(annotation) for model in models_in(part)]
    return []


@pytest.mark.parametrize("kind", RECORDS)
def test_every_member_of_the_contract_has_a_measure_or_a_column(kind: str) -> None:
    known = {
        {"gap": ("gaps",), "band": ("bands",)}.get(measure.repeats, ()) + measure.path
        for measure in (*MEASURES[kind].values(), *PERFORMER.values())
    }
    known |= {("kind",), ("entry_id",), ("at",), ("gaps", "station_mm"), ("bands", "band")}
    if kind == "installation":
        known.add(("bands", "station_mm"))
    model = model_of(RECORDS[kind])
    wanted = {path for path in leaves(model) if path[0] != "entry"}  # inside of an amendment its kind decides
    assert wanted <= known


def test_every_member_of_a_course_has_a_column() -> None:
    assert leaves(model_of(Course)) == {measure.path for measure in COURSE_COLUMNS.values()}


TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")) | st.sampled_from("\n\t,\"';"), min_size=1, max_size=40)
NUMBERS = st.decimals(min_value=0, max_value=400, places=2) | st.integers(0, 400)


@given(note=TEXTS, gaps=st.lists(NUMBERS, min_size=1, max_size=6), tail=NUMBERS, family=TEXTS)
def test_any_text_and_any_number_comes_back_as_it_was(
    note: str, gaps: list[Any], tail: Any, family: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    sent = example_documents()[0]
    sent["course"]["patient"]["family"] = family
    check = sent["entries"][1]
    check |= {"note": note, "gaps": [{"station_mm": i, "gap_mm": gap} for i, gap in enumerate(gaps)]}
    check["bands"][0]["tail_mm"] = tail
    courses, readings = write_csv_pair([sent])
    (back,) = read_csv_pair(*in_files(tmp_path_factory.mktemp("pair"), readings, courses))
    assert back.faults == []
    assert strict_json.canonical(back.raw) == strict_json.canonical(sent)
    assert [str(gap["gap_mm"]) for gap in back.raw["entries"][1]["gaps"]] == [str(gap) for gap in gaps]


@given(order=st.randoms(use_true_random=False))
def test_rows_in_any_order_give_the_same_courses(order: Any, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Gaps and skin signs are lists, so the order inside of those may differ; nothing else may."""
    sent = example_documents()[:3]
    courses, readings = write_csv_pair(sent)
    lines = readings.splitlines()[1:]
    order.shuffle(lines)
    shuffled = "\n".join((HEADER, *lines)) + "\n"
    back = {c.course_id: c for c in read_csv_pair(*in_files(tmp_path_factory.mktemp("pair"), shuffled, courses))}
    assert len(back) == len(sent)
    for original in sent:
        course = back[original["course"]["course_id"]]
        assert course.faults == []
        assert by_id(course.raw) == by_id(original)


def by_id(sent: dict[str, Any]) -> Any:
    def sorted_lists(value: Any) -> Any:
        if isinstance(value, dict):
            return {name: sorted_lists(member) for name, member in value.items()}
        return sorted(map(sorted_lists, value), key=str) if isinstance(value, list) else value

    return sent["course"], {entry["entry_id"]: sorted_lists(entry) for entry in sent["entries"]}


def test_columns_may_stand_in_any_order_and_a_byte_order_mark_is_ignored(tmp_path: Path) -> None:
    courses, readings = write_csv_pair(example_documents()[:1])
    turned = "\n".join(",".join(reversed(line.split(","))) for line in readings.splitlines() if '"' not in line) + "\n"
    marked = [b"\xef\xbb\xbf" + text.encode() for text in (turned, courses)]
    (course,) = read_csv_pair(*in_files(tmp_path, *marked))
    assert course.faults == []
    assert course.course_id == "lower-leg-0302"


def test_grouped_readings_are_read_a_course_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    courses, readings = write_csv_pair(example_documents())
    taken = []
    read_rows = csv_pair.read_rows

    def counted(*arguments: Any) -> Any:
        for row in read_rows(*arguments):
            taken.append(row.number)
            yield row

    pair = in_files(tmp_path, readings, courses)
    total = len(list(read_rows(pair[0], READING_COLUMNS, READING_COLUMNS)))
    monkeypatch.setattr(csv_pair, "read_rows", counted)
    found = read_csv_pair(*pair)
    next(found)
    before = len(taken)
    next(found)
    assert before < len(taken) < before + total // 2


def test_a_course_without_readings_is_a_course_file_without_entries(tmp_path: Path) -> None:
    (course,) = read_csv_pair(*in_files(tmp_path, HEADER + "\n"))
    assert course.faults == []
    assert course.raw["entries"] == []
    assert review_course_file(course.raw, Known(), NOW).course.course_id == "c1"


def test_several_given_names_stand_in_one_cell(tmp_path: Path) -> None:
    courses = COURSES.replace("patient_value,", "patient_value,given,").replace(",1,trauma", ",1,Ana;Lu,trauma")
    (course,) = read_csv_pair(*in_files(tmp_path, HEADER + "\n", courses))
    assert course.raw["course"]["patient"]["given"] == ["Ana", "Lu"]


def test_an_amendment_carries_the_corrected_entry_behind_a_prefix(tmp_path: Path) -> None:
    rows = [
        "amends,,,c", "reason,,,mistyped", "entry.kind,,,check", "entry.at,,,2025-05-01T10:00:00Z",
        "entry.performer_system,,,https://ward.example/s", "entry.performer_value,,,n2",
        "entry.device_status,,,in-place", "entry.gap_mm,50,,31.0", "entry.mark_mm,,1,17.5", "entry.skin,,,blister",
        "entry.skin,,,blanching", "entry.changed,,,TRUE", "entry.devices_present.anchors,,,10",
        "entry.devices_present.bands,,,1",
    ]  # fmt: skip
    check = ("device_status,,,in-place", "gap_mm,50,,3.1", "mark_mm,,1,17.5")
    at = "2025-05-01T10:00:00Z,https://ward.example/s,n1"
    course = read_one(
        tmp_path, *(f"c1,c,check,{at},{row}" for row in check), *(f"c1,a,amendment,{at},{row}" for row in rows)
    )
    assert course.faults == []
    assert review_course_file(course.raw, Known(), NOW)
    assert course.raw["entries"][2]["entry"] == {
        "entry_id": "c", "kind": "check", "at": "2025-05-01T10:00:00Z",
        "performer": {"identifier": {"system": "https://ward.example/s", "value": "n2"}}, "device_status": "in-place",
        "gaps": [{"station_mm": 50, "gap_mm": Decimal("31.0")}], "bands": [{"band": 1, "mark_mm": Decimal("17.5")}],
        "skin": ["blister", "blanching"], "dressing": {"changed": True}, "devices_present": {"anchors": 10, "bands": 1},
    }  # fmt: skip


def test_every_value_that_breaks_the_contract_is_named_by_its_row_and_column(tmp_path: Path) -> None:
    at = "2025-05-01T10:00:00Z,https://ward.example/s,n1"
    course = read_one(
        tmp_path,
        f"c1,e2,check,{at},device_status,,,in place",
        f"c1,e2,check,{at},gap_mm,120,,31",
        f"c1,e2,check,{at},gap_mm,,,twenty",
        f'c1,e2,check,{at},mark_mm,,1,"17,5"',
        f"c1,e2,check,{at},mark_mm,,2,17.5",
        f"c1,e2,check,{at},pain_0_10,,,11",
        f"c1,e3,visit,{at},gap_mm,10,,31",
        "c1,e4,reset,2025-05-01 11:00,https://ward.example/s,n1,mark_mm_after,,x,17.5",
    )
    assert course.faults == []
    found = refusals(course)
    assert {fault.split(":")[0] for fault in found} == {
        "readings.csv row 9, column value",
        "readings.csv row 10, column station_mm",
        "readings.csv row 11, column station_mm",
        "readings.csv row 11, column value",
        "readings.csv row 12, column value",
        "readings.csv row 13, column band",
        "readings.csv row 14, column value",
        "readings.csv row 15, column kind",
        "readings.csv row 16, column at",
        "readings.csv row 16, column band",
    }


def test_faults_of_the_course_are_named_by_their_cell(tmp_path: Path) -> None:
    courses = COURSES.replace("thigh,100", "knee,").replace("2025-05-01T08:00:00Z", "2025-05-01")
    (course,) = read_csv_pair(*in_files(tmp_path, HEADER + "\n" + INSTALLED, courses))
    assert {fault.split(":")[0] for fault in refusals(course)} == {
        f"courses.csv row 2, column {column}" for column in ("body_site", "length_mm", "opened_at")
    }


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        (f"c1,e1,installation,{FRAME},gab_mm,50,,40", "row 9, column measure: 'gab_mm' is no measure of installation"),
        (f"c1,e1,installation,{FRAME},setback_mm,,,12", "row 9, column measure: setback_mm stands twice in this entry"),
        (f"c1,e1,installation,{FRAME},mark_mm,50,1,18", "row 9, column measure: mark_mm stands twice in this entry"),
        (f"c1,e1,installation,{FRAME},note,50,,x", "row 9, column station_mm: must be empty for note of installation"),
        (f"c1,e1,installation,{FRAME},note,,1,x", "row 9, column band: must be empty for note of installation"),
        (f"c1,e1,check,{FRAME},note,,,x", "row 9, column kind: differs from row 2 of the same entry"),
        (
            "c1,e1,installation,2025-05-01T09:01:00Z,https://ward.example/s,n1,note,,,x",
            "row 9, column at: differs from row 2 of the same entry",
        ),
        (f"c1,e1,installation,{FRAME},undermined_mm,,,5,spare", "row 9: has 11 cells, the header 10"),
        (f"c1,e1,installation,{FRAME}", "row 9: has 6 cells, the header 10"),
    ],
)
def test_rows_that_do_not_make_one_entry_are_faults(tmp_path: Path, row: str, fault: str) -> None:
    assert f"readings.csv {fault}" in read_one(tmp_path, row).faults


def test_a_band_that_lies_at_two_stations_is_a_fault(tmp_path: Path) -> None:
    pair = in_files(tmp_path, "\n".join((HEADER, INSTALLED.replace("tail_mm,50,1", "tail_mm,60,1"))))
    (course,) = read_csv_pair(*pair)
    assert course.faults == ["readings.csv row 8, column station_mm: differs from an earlier row of the same band"]


def test_a_course_that_the_file_of_courses_does_not_name_is_a_fault(tmp_path: Path) -> None:
    unknown, known = read_csv_pair(*in_files(tmp_path, "\n".join((HEADER, INSTALLED.replace("c1,", "c9,")))))
    assert unknown.raw is None
    assert unknown.faults == ["readings.csv row 2, column course_id: is not in the file of courses"]
    assert known.faults == []


def test_a_course_charted_in_two_rows_is_a_fault(tmp_path: Path) -> None:
    (course,) = read_csv_pair(*in_files(tmp_path, HEADER + "\n", COURSES + COURSES.splitlines()[1] + "\n"))
    assert course.faults == ["courses.csv row 3, column course_id: stands in row 2 too"]


def test_bytes_that_are_not_utf_8_are_named_and_the_course_is_not_put_together(tmp_path: Path) -> None:
    row = f"c1,e1,installation,{FRAME},note,,,".encode() + b"gr\xfcn\n"
    (course,) = read_csv_pair(*in_files(tmp_path, "\n".join((HEADER, INSTALLED, "")).encode() + row))
    assert course.raw is None
    assert course.faults == ["readings.csv row 9, column value: is not UTF-8"]


@pytest.mark.parametrize(
    ("readings", "courses", "faults"),
    [
        (HEADER + ",ward\n", COURSES, ["readings.csv row 1, column ward: is not a column of this file"]),
        (HEADER.replace(",band", ""), COURSES, ["readings.csv row 1, column band: is missing"]),
        (HEADER + ",band\n", COURSES, ["readings.csv row 1, column band: stands twice"]),
        (
            HEADER.replace(",", ";"), COURSES,
            ["readings.csv row 1: columns are separated by semicolons; save it with commas"],
        ),
        (
            HEADER.replace("kind", "sort"), COURSES.replace("cause", "reason"),
            [
                "courses.csv row 1, column reason: is not a column of this file",
                "courses.csv row 1, column cause: is missing",
                "readings.csv row 1, column sort: is not a column of this file",
                "readings.csv row 1, column kind: is missing",
            ],
        ),
        (HEADER + '\nc1,e1,"check', COURSES, ["readings.csv line 2: unexpected end of data"]),
        ("", COURSES, [f"readings.csv row 1, column {column}: is missing" for column in READING_COLUMNS]),
    ],
)  # fmt: skip
def test_a_pair_that_cannot_be_read_names_every_fault_of_both_files(
    tmp_path: Path, readings: str, courses: str, faults: list[str]
) -> None:
    with pytest.raises(CsvUnreadable) as unreadable:
        list(read_csv_pair(*in_files(tmp_path, readings, courses)))
    assert list(unreadable.value.faults) == faults


def test_what_the_csv_cannot_say_is_refused_when_writing() -> None:
    sent = example_documents()[0]
    sent["course"]["patient"]["given"] = ["Ana;Lu"]
    with pytest.raises(ValueError, match="course file 1 cannot be written as CSV without loss"):
        write_csv_pair([sent])
