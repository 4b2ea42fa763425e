"""Every numbered case is a course file of the contract, told in an invented hospital."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service import strict_json
from service.intake.review import Known, review_course_file

EXAMPLES = Path(__file__).parents[2] / "examples"
COURSES = sorted(EXAMPLES.glob("[0-9][0-9]-*/course*.json"))
NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)


def name(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


@pytest.mark.parametrize("path", COURSES, ids=name)
def test_every_example_is_accepted_whole(path: Path) -> None:
    sent = strict_json.read(path.read_bytes())
    reviewed = review_course_file(sent, Known(), NOW)
    assert reviewed.course_is_new
    assert len(reviewed.entries) == len(sent["entries"]) > 4


@pytest.mark.parametrize("path", COURSES, ids=name)
def test_every_example_of_any_order_of_entries_is_accepted(path: Path) -> None:
    sent = strict_json.read(path.read_bytes())
    sent["entries"].reverse()
    assert len(review_course_file(sent, Known(), NOW).entries) == len(sent["entries"])


def test_there_are_ten_cases_each_with_its_page_and_in_the_index() -> None:
    folders = sorted(path for path in EXAMPLES.iterdir() if re.match(r"\d\d-", path.name))
    assert [folder.name[:2] for folder in folders] == [f"{number:02}" for number in range(1, 11)]
    index = (EXAMPLES / "README.md").read_text()
    for folder in folders:
        page = (folder / "README.md").read_text()
        assert f"({folder.name}/README.md)" in index
        assert "## What to notice" in page
        assert "## Caution" in page
        assert "treating surgeon" in page


def test_no_two_courses_share_an_id_and_only_the_forearm_shares_a_patient() -> None:
    courses = [json.loads(path.read_bytes())["course"] for path in COURSES]
    assert len({course["course_id"] for course in courses}) == len(courses)
    patients = [course["patient"]["identifier"]["value"] for course in courses]
    assert len(set(patients)) == len(patients) - 1
    assert {c["wound"]["body_site"] for c in courses if patients.count(c["patient"]["identifier"]["value"]) > 1} == {
        "forearm"
    }


def test_entry_ids_named_by_the_pages_exist_in_their_cases() -> None:
    for folder in {path.parent for path in COURSES}:
        known = {entry["entry_id"] for path in folder.glob("course*.json") for entry in _entries(path)}
        named = set(re.findall(r"`(e\d\d)`", (folder / "README.md").read_text()))
        assert named <= known, folder.name


def test_every_identifier_lies_under_the_reserved_example_domain() -> None:
    """RFC 2606 section 2 reserves the top-level domain .example."""
    for path in COURSES:
        for system in re.findall(r'"system": "([^"]+)"', path.read_text()):
            assert re.fullmatch(r"https://[a-z]+\.example/[a-z-]+", system), (path, system)


def test_marks_are_read_to_half_a_millimetre_and_gaps_to_a_whole_one() -> None:
    """Common practice, no source: what a ruler gives at the bedside."""
    for path in COURSES:
        for entry in _entries(path):
            for gap in entry.get("gaps", []):
                assert gap["gap_mm"] == int(gap["gap_mm"])
            for band in entry.get("bands", []):
                for member in ("mark_mm", "mark_mm_before", "mark_mm_after"):
                    assert band.get(member, 0) * 2 == int(band.get(member, 0) * 2)


def _case(number: int) -> dict[str, dict]:
    (path,) = EXAMPLES.glob(f"{number:02}-*/course.json")
    return {entry["entry_id"]: entry for entry in _entries(path)}


def _entries(path: Path) -> list[dict]:
    return json.loads(path.read_bytes())["entries"]


def _widest(entry: dict) -> float:
    return max(gap["gap_mm"] for gap in entry["gaps"])


def test_case_1_widens_on_the_second_morning_and_is_closed_four_days_after_installation() -> None:
    entries = _case(1)
    assert (_widest(entries["e04"]), _widest(entries["e05"])) == (47, 59)
    times = [datetime.fromisoformat(entries[entry_id]["at"]) for entry_id in ("e01", "e17")]
    assert 3.5 < (times[1] - times[0]).total_seconds() / 86400 < 4.5


def test_case_3_amends_a_mistyped_mark_of_the_check_before() -> None:
    entries = _case(3)
    assert entries["e02"]["bands"][3]["mark_mm"] / 10 > 2
    wrong, amendment = entries["e04"], entries["e05"]
    differing = [
        (charted["mark_mm"], right["mark_mm"])
        for charted, right in zip(wrong["bands"], amendment["entry"]["bands"], strict=True)
        if charted != right
    ]
    assert amendment["amends"] == "e04"
    assert differing == [(27.5, 17.5)]


def test_case_4_has_one_dressing_less_out_than_in_and_finds_it() -> None:
    entries = list(_case(4).values())
    placed = sum(e.get("dressings_placed", 0) + e.get("dressing", {}).get("placed", 0) for e in entries)
    removed = sum(e.get("dressings_removed", 0) + e.get("dressing", {}).get("removed", 0) for e in entries)
    assert placed - removed == 1
    reconciled = [e for e in entries if e["kind"] == "reconciliation"]
    assert [(e["unaccounted_escalated"], e["found"]) for e in reconciled] == [(1, 0), (0, 1)]


def test_case_7_arrives_out_of_order_over_the_clock_change_of_30_march_2025() -> None:
    """Directive 2000/84/EC, article 2: summer time begins on the last Sunday of March at 01:00 UTC."""
    entries = list(_case(7).values())
    at = [datetime.fromisoformat(entry["at"]) for entry in entries]
    assert at != sorted(at)
    change = datetime(2025, 3, 30, 1, tzinfo=UTC)
    assert {(when >= change, str(when.utcoffset())) for when in at} == {(False, "1:00:00"), (True, "2:00:00")}


def test_case_8_has_a_pressure_difference_of_25_and_later_of_46() -> None:
    entries = _case(8)
    differences = [
        entry["diastolic_pressure_mmhg"] - entry["compartment_pressure_mmhg"]
        for entry in entries.values()
        if "compartment_pressure_mmhg" in entry
    ]
    assert differences == [25, 46]
