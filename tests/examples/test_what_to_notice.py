"""What the pages of the examples tell to notice is what the clinic's core says of them.

Expected alerts are worked out by hand from the readings and the limits of the default policy (stretch 1.5 to 2.0, tail
50 mm, pressure difference 30 mmHg, rebound 6 mm, reset every 24 h; the basis of each stands in the policy file).
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service import strict_json
from service.clinic.course import Step, steps
from service.clinic.policy import read_policy
from service.clinic.standing import Charted, standing
from service.clinic.summary import Summary
from service.intake.members import read_course, read_entry

ROOT = Path(__file__).parents[2]
POLICY = read_policy((ROOT / "mappings/policy/default.toml").read_bytes(), "default.toml")


def steps_of(case: int, name: str = "course.json") -> Iterator[Step]:
    (path,) = (ROOT / "examples").glob(f"{case:02}-*/{name}")
    sent = strict_json.read(path.read_bytes())
    charted = [Charted(read_entry(entry), arrival) for arrival, entry in enumerate(sent["entries"])]
    return steps(read_course(sent["course"]), standing(charted), POLICY)


def after(case: int, entry_id: str) -> Summary:
    for step in steps_of(case):
        if step.entry.entry.entry_id == entry_id:
            return step.fold.summary(step.entry.entry.at)
    raise AssertionError(f"no {entry_id} in case {case}")


def episodes(case: int) -> set[tuple[str, str, str, str | None]]:
    for step in steps_of(case):
        fold, at = step.fold, step.entry.entry.at
    return {(e.code, e.subject, e.raised_by, e.cleared_by) for e in fold.episodes(at + timedelta(hours=1))}


@pytest.mark.parametrize(
    ("case", "alerts"),
    [
        (1, {("above-maximum", "band-3", "e05", "e06"), ("above-maximum", "band-4", "e05", "e06")}),
        (3, {("above-maximum", "band-4", "e02", "e03")}),
        (4, {("count-mismatch", "dressings", "e09", "e10"), ("item-unaccounted", "dressings", "e10", "e11")}),
        (5, {("not-closing", "", "e08", "e14"), ("skin-at-risk", "", "e12", None)}),
        (
            6,
            {
                ("vacuum-therapy", "", "e04", "e05"),
                ("anchors-covered", "", "e04", "e05"),
                ("skin-at-risk", "", "e04", None),
            },
        ),
        (7, {("dislodged", "", "e10", "e11"), ("skin-at-risk", "", "e10", "e13")}),
        (
            8,
            {
                ("low-perfusion-pressure", "", "e02", "e04"),
                ("dislodged", "", "e07", "e09"),
                ("skin-at-risk", "", "e08", None),
            },
        ),
        (
            10,
            {
                ("small-dressing", "", "e04", "e06"),
                ("stations-differ", "", "e06", "e07"),
                ("short-tail", "band-1", "e06", "e07"),
                ("reset-overdue", "", "e01", "e07"),
            },
        ),
    ],
)
def test_the_alerts_that_the_page_names_are_raised_and_cleared_where_it_says(
    case: int, alerts: set[tuple[str, str, str, str | None]]
) -> None:
    assert alerts <= episodes(case)


def test_the_swelling_of_case_1_is_a_rebound_of_12_mm_and_its_reset_lets_band_out() -> None:
    summary = after(1, "e05")
    assert summary.gap is not None
    assert summary.gap.rebound_mm == 59 - 47
    draws = {band.band: band.draw_mm for band in summary.bands}
    assert draws[3] < 0
    assert draws[4] < 0
    assert after(1, "e10").next_reset.reason == "predicted-slack"


def test_the_mistyped_mark_of_case_3_leaves_no_alert_for_band_2() -> None:
    assert not [episode for episode in episodes(3) if episode[1] == "band-2"]


def test_the_course_of_case_5_has_no_forecast_because_it_does_not_close() -> None:
    assert after(5, "e10").forecast.absent_reason == "not-closing"


def test_under_hold_no_target_of_case_6_lies_above_the_present_stretch() -> None:
    summary = after(6, "e05")
    assert summary.hold
    assert summary.state == "open"
    for band in summary.bands:
        assert band.target_mark_mm <= band.mark_mm


def test_a_reset_before_the_clock_change_of_case_7_is_due_24_hours_later_by_the_clock_of_the_world() -> None:
    due = after(7, "e04").next_reset
    assert due.due_at == datetime.fromisoformat("2025-03-30T10:20:00+02:00")
    assert due.reason == "interval"


def test_the_retracted_check_of_case_7_changes_nothing() -> None:
    summary = after(7, "e09")
    assert summary.gap is not None
    assert summary.gap.rebound_mm is None
    assert summary.gap.max_gap_mm == 37


def test_the_pressure_differences_of_case_8_are_25_and_46() -> None:
    assert [after(8, entry_id).perfusion_difference_mmhg for entry_id in ("e02", "e04")] == [25, 46]


def test_case_10_says_what_is_not_known() -> None:
    night = after(10, "e03")
    assert night.gap_absent_reason is not None
    assert night.gap is not None
    assert night.gap.entry_id == "e02"
    assert night.gap.area_method == "ellipse-estimate"
    assert {band.band: band.state for band in after(10, "e04").bands}[3] == "not-read"
    last = after(10, "e06")
    assert last.gap is not None
    assert last.gap.closure_absent_reason == "stations-differ"
    assert after(10, "e08").counts.dressings.outstanding is None
