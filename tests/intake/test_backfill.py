"""Files of a backfill ("Files and the command line" of the intake contract): read whole, refused in a form to mend."""

import json
import os
import stat
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.intake import backfill
from service.intake.backfill import Document, documents
from service.intake.csv_writing import write_csv_pair
from service.intake.faults import Fault, Refused
from service.intake.rejects import Rejects
from service.intake.review import Known, review_course_file
from tests.intake.documents import check, course, installation

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def course_file(course_id: str, **changes: Any) -> dict[str, Any]:
    return {"course": course(course_id=course_id), "entries": [installation(), check(**changes)]}


def as_line(sent: Any) -> bytes:
    return json.dumps(sent, default=float).encode() + b"\n"


def load(path: Path, courses: Path | None = None) -> tuple[list[str], Rejects]:
    """What a loader does: the ids of the courses that were accepted, and the rejects of the others."""
    accepted = []
    with Rejects(path, courses) as rejects:
        for document in documents(path, courses):
            faults = faults_of(document)
            if faults:
                rejects.add(document, faults)
            else:
                accepted.append(document.raw["course"]["course_id"])
    return accepted, rejects


def faults_of(document: Document) -> list[Fault]:
    try:
        if document.raw is not None:
            review_course_file(document.raw, Known(), NOW)
    except Refused as refused:
        return [*document.faults, *refused.faults]
    return document.faults


def test_a_course_file_is_one_document(tmp_path: Path) -> None:
    path = tmp_path / "one.json"
    path.write_text(json.dumps(course_file("a"), default=float, indent=2))
    assert load(path)[0] == ["a"]
    assert list(tmp_path.iterdir()) == [path], "nothing refused, so no rejects file"


def test_json_lines_are_a_document_a_line_blank_ones_aside_and_unreadable_ones_with_their_fault(tmp_path: Path) -> None:
    path = tmp_path / "many.jsonl"
    lines = [b"\xef\xbb\xbf" + as_line(course_file("a")), b"\r\n", b'{"course": NaN}\n', as_line(course_file("b"))]
    path.write_bytes(b"".join(lines))
    found = list(documents(path))
    assert [document.source for document in found] == ["many.jsonl:1", "many.jsonl:3", "many.jsonl:4"]
    assert [document.raw is None for document in found] == [False, True, False]
    assert found[1].reasons(found[1].faults) == ["many.jsonl:3: NaN is no JSON number"]


def test_a_last_line_without_its_newline_is_read(tmp_path: Path) -> None:
    path = tmp_path / "many.ndjson"
    path.write_bytes(as_line(course_file("a")) + as_line(course_file("b")).strip())
    assert load(path)[0] == ["a", "b"]


def test_a_line_that_is_too_long_is_refused_and_the_next_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backfill, "LARGEST_COURSE_FILE", 5000)
    path = tmp_path / "many.jsonl"
    path.write_bytes(as_line(course_file("a")) + b"[" + b" " * 25000 + b"]\n" + as_line(course_file("b")))
    accepted, rejects = load(path)
    assert accepted == ["a", "b"]
    reasons = (tmp_path / "many.rejects.txt").read_text()
    assert "many.jsonl:2: larger than 5000 bytes" in reasons
    assert "not copied: correct it in the input" in reasons
    assert rejects.refused == 1


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    path = tmp_path / "many.jsonl"
    line = as_line(course_file("a", note="x" * 1900))
    path.write_bytes(line * 5000)
    tracemalloc.start()
    try:
        assert sum(1 for _ in documents(path)) == 5000
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert path.stat().st_size > 10_000_000
    assert peak < 1_000_000


def test_refused_lines_are_kept_as_they_were_with_every_reason_and_load_once_corrected(tmp_path: Path) -> None:
    path = tmp_path / "courses.jsonl"
    wrong = as_line(course_file("b", pain_0_10=11, mood="low"))
    path.write_bytes(as_line(course_file("a")) + wrong + b"{broken\n" + as_line(course_file("c")))
    accepted, rejects = load(path)
    assert accepted == ["a", "c"]
    assert [kept.name for kept in rejects.paths] == ["courses.rejects.jsonl", "courses.rejects.txt"]
    kept = tmp_path / "courses.rejects.jsonl"
    assert kept.read_bytes() == wrong + b"{broken\n"
    reasons = (tmp_path / "courses.rejects.txt").read_text()
    assert "courses.jsonl:2 /entries/1/pain_0_10: " in reasons
    assert "courses.jsonl:2 /entries/1/mood: is not a name of this format" in reasons
    assert "courses.jsonl:3: not JSON" in reasons

    kept.write_bytes(kept.read_bytes().replace(b'"pain_0_10": 11, "mood": "low"', b'"pain_0_10": 1'))
    accepted, rejects = load(kept)
    assert accepted == ["b"]
    assert (tmp_path / "courses.rejects.2.jsonl").read_bytes() == b"{broken\n"
    assert rejects.paths[0].name == "courses.rejects.2.jsonl"


def test_a_refused_course_file_is_kept_as_a_course_file(tmp_path: Path) -> None:
    path = tmp_path / "one.json"
    path.write_text(json.dumps(course_file("a", pain_0_10=11), default=float, indent=2))
    load(path)
    kept = tmp_path / "one.rejects.json"
    assert kept.read_text() == path.read_text() + "\n"
    kept.write_text(kept.read_text().replace('"pain_0_10": 11', '"pain_0_10": 1'))
    assert load(kept)[0] == ["a"]


def test_rejects_are_never_overwritten_and_are_readable_by_their_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "courses.jsonl"
    path.write_bytes(b"{broken\n")
    previous = os.umask(0)
    try:
        load(path)
        (tmp_path / "courses.rejects.jsonl").write_text("corrections by hand\n")
        load(path)
    finally:
        os.umask(previous)
    assert (tmp_path / "courses.rejects.jsonl").read_text() == "corrections by hand\n"
    for name in ("courses.rejects.jsonl", "courses.rejects.txt", "courses.rejects.2.jsonl", "courses.rejects.2.txt"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def pair(folder: Path, *courses: dict[str, Any]) -> tuple[Path, Path]:
    paths = folder / "readings.csv", folder / "wounds.csv"
    of_courses, readings = write_csv_pair(courses)
    for path, text in zip(paths, (readings, of_courses), strict=True):
        path.write_text(text)
    return paths


def test_refused_courses_of_a_pair_are_kept_as_a_pair_and_load_once_corrected(tmp_path: Path) -> None:
    readings, courses = pair(tmp_path, course_file("a"), course_file("b", note="two\nlines"), course_file("c"))
    text = readings.read_text().replace("b,ch-1,check", "b,ch-1,chekc")
    readings.write_text(text.replace("c,in-1,installation", "d,in-1,installation"))
    accepted, rejects = load(readings, courses)
    assert accepted == ["a"]
    names = [kept.name for kept in rejects.paths]
    assert names == ["readings.rejects.csv", "wounds.rejects.csv", "readings.rejects.txt"]
    reasons = rejects.paths[2].read_text()
    kind_row = 2 + text.splitlines()[1:].index(next(line for line in text.splitlines() if "chekc" in line))
    assert f"readings.csv row {kind_row}, column kind: must be one of installation, check" in reasons
    assert "column course_id: is not in the file of courses" in reasons.split("readings.csv course d\n")[1]

    kept = rejects.paths[0]
    kept.write_text(kept.read_text().replace("chekc", "check").replace("d,in-1", "c,in-1"))
    accepted, again = load(kept, rejects.paths[1])
    assert accepted == ["b", "c"]
    assert again.refused == 0
    assert "two\nlines" in kept.read_text()


def test_rows_with_too_few_cells_or_other_bytes_are_kept_as_they_were(tmp_path: Path) -> None:
    readings, courses = pair(tmp_path, course_file("a"))
    rows = b"a,ch-1,check,short\na,x,check,2026-03-02T20:00:00+01:00,,,note,,,gr\xfcn\n"
    readings.write_bytes(readings.read_bytes() + rows)
    accepted, rejects = load(readings, courses)
    assert accepted == []
    assert rejects.paths[0].read_bytes() == readings.read_bytes()


def test_a_pair_that_cannot_be_read_is_one_document_with_its_faults(tmp_path: Path) -> None:
    readings, courses = pair(tmp_path, course_file("a"))
    readings.write_text(readings.read_text().replace("measure", "what", 1))
    (document,) = documents(readings, courses)
    assert document.raw is None
    assert [fault.detail for fault in document.faults] == [
        "readings.csv row 1, column what: is not a column of this file",
        "readings.csv row 1, column measure: is missing",
    ]


def test_half_of_a_pair_and_a_file_of_another_kind_are_refused_with_the_reason(tmp_path: Path) -> None:
    readings, _ = pair(tmp_path, course_file("a"))
    (half,), (other,) = documents(readings), documents(tmp_path / "notes.txt")
    assert half.reasons(half.faults) == ["readings.csv: is half of a CSV pair; name its file of courses too"]
    assert other.reasons(other.faults) == ["notes.txt: is none of .json, .csv, .jsonl, .ndjson"]
    assert (half.raw, other.raw) == (None, None)
    for path in (readings, tmp_path / "notes.txt"):
        assert [kept.name for kept in load(path)[1].paths] == [f"{path.stem}.rejects.txt"]


def test_a_file_of_courses_beside_json_lines_is_of_no_concern_to_them(tmp_path: Path) -> None:
    _, courses = pair(tmp_path, course_file("a"))
    path = tmp_path / "many.jsonl"
    path.write_bytes(as_line(course_file("b")) + b"{broken\n")
    accepted, rejects = load(path, courses)
    assert accepted == ["b"]
    assert [kept.name for kept in rejects.paths] == ["many.rejects.jsonl", "many.rejects.txt"]
