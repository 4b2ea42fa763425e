"""Small cells are withheld, also where they could be had by subtraction (docs/metrics.md, Registry: no figure for fewer
than five patients)."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.registry.cells import Cell, withheld
from service.registry.figures import TooFewPatients, figures_of
from service.registry.measures import summary_reports
from tests.registry.conftest import NOW


def cell(events, n):
    return Cell(events, n, events, n - events)


@pytest.mark.parametrize(
    ("events", "hidden"), [(0, False), (1, True), (4, True), (5, False), (15, False), (16, True), (20, False)]
)
def test_a_count_of_one_to_four_or_its_complement_is_withheld(events, hidden):
    assert cell(events, 20).small(5) is hidden


def test_patients_count_not_courses():
    """Six courses of three patients are three patients."""
    assert Cell(6, 40, 3, 30).small(5)


def test_where_counts_add_up_one_withheld_cell_takes_the_smallest_other_with_it():
    cells = [cell(70, 100), cell(8, 100), cell(2, 100), cell(20, 100)]
    assert withheld(cells, 5, adds_up=True) == [False, True, True, False]
    assert withheld(cells, 5, adds_up=False) == [False, False, True, False]


@given(st.lists(st.integers(0, 30), min_size=2, max_size=6))
def test_no_withheld_cell_can_be_had_by_subtraction(counts):
    """With the total known, a single unknown would be known."""
    total = sum(counts)
    hidden = withheld([Cell(count, total, count, total - count) for count in counts], 5, adds_up=True)
    unknown = [count for count, hide in zip(counts, hidden, strict=True) if hide]
    others = [count for count, hide in zip(counts, hidden, strict=True) if not hide]
    assert len(unknown) != 1 or not any(others)
    assert all(count == 0 or count >= 5 for count in others)


def frame(endings):
    """A cohort of one site; `endings` are the endings of its courses, each of a patient of its own."""
    rows = [
        {
            "site": "heron", "course_key": str(at), "patient_key": str(at), "tables_version": "1", "ending": ending,
            "started": True, "ended": ending != "open", "closed": ending == "closed", "days": 5.0 + at % 7,
            "resets": 3, "in_range_share": 0.9, "complicated": False, "closed_within_14_days": ending == "closed",
            "started_at": pd.Timestamp("2025-01-01", tz="UTC"), "until_at": pd.Timestamp("2025-01-09", tz="UTC"),
            **{f"complication_{key}": 0 for key in (
                "blister", "pull_through", "necrosis", "infection", "low_perfusion", "dislodged", "unaccounted")},
        }
        for at, ending in enumerate(endings)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_fewer_than_five_patients_give_no_report_at_all(definitions):
    with pytest.raises(TooFewPatients, match="fewer than 5 patients"):
        figures_of(frame(["closed"] * 4), definitions)
    with pytest.raises(TooFewPatients, match="has ended"):
        figures_of(frame(["closed"] * 4 + ["open"] * 9), definitions)


def test_a_small_ending_stands_in_no_table(definitions):
    figures = figures_of(frame(["closed"] * 30 + ["covered"] * 12 + ["died"] * 2), definitions)
    by_key = {row["ending"]: row for row in figures.endings.rows}
    assert by_key["died"]["events"] is None
    assert by_key["covered"]["events"] is None  # else 44 - 30 - 12 would tell
    assert by_key["closed"]["events"] == 30
    assert figures.sites.rows[0]["events"] == 30
    for row in figures.incidence.rows:  # the end of a curve times the number of courses is a count
        assert (row["died"], row["covered"], row["died_high"]) == (None, None, None)
        assert row["closed"] is not None


def test_a_site_of_few_patients_is_withheld_with_the_next_smallest(definitions):
    small, middle, large = (frame(["closed"] * many + ["covered"] * few) for many, few in ((2, 1), (20, 10), (60, 40)))
    sites = pd.concat([rows.assign(site=name) for name, rows in (("a", small), ("b", middle), ("c", large))])
    figures = figures_of(sites, definitions)
    shown = {row["site"]: row["share"] for row in figures.sites.rows}
    assert shown == {"a": None, "b": None, "c": 0.6}
    assert figures.sites.rows[0]["resets"] is None


def test_measure_reports_withhold_what_the_report_withholds(definitions, terms):
    rows = frame(["closed"] * 30 + ["covered"] * 3)
    reports = [one for one in summary_reports(rows, definitions, terms, NOW) if "/primary-closure|" in one["measure"]]
    assert len(reports) == 2
    for report in reports:
        assert "withheld" in report["text"]["div"]
        assert all("count" not in population for population in report["group"][0]["population"])
        assert "measureScore" not in report["group"][0]


def test_curves_end_where_few_are_followed(definitions):
    rows = frame(["closed"] * 40).assign(days=[float(day % 12) for day in range(40)])
    figures = figures_of(rows, definitions)
    assert figures.incidence.rows[-1]["day"] < 12
    assert min(row["at_risk"] for row in figures.incidence.rows) >= 5
