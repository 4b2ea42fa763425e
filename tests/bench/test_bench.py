"""The harness itself: it runs from end to end and speaks of every goal. What it measures is no matter of tests."""

from pathlib import Path

import orjson
import pytest

from tests.bench.__main__ import TINY, run
from tests.bench.goals import GOALS
from tests.bench.publishing import table

NOT_HERE = {"7", "8"}  # export and report: measured with their own parts


@pytest.mark.slow
def test_a_tiny_run_measures_every_goal_and_writes_json_and_a_drawing(tmp_path):
    found = run(TINY, tmp_path)
    written = orjson.loads((tmp_path / "bench.json").read_bytes())
    measured = {goal["goal"] for goal in written["goals"] if goal["measured"]}
    assert [goal["goal"] for goal in written["goals"]] == list(GOALS)
    assert measured == set(GOALS) - NOT_HERE
    assert all(one.value > 0 for one in found)
    assert (tmp_path / "growth.svg").read_text().startswith("<svg")
    assert "not measured in this run" in table(found)


def test_the_document_has_every_goal_with_its_bound():
    lines = (Path(__file__).parents[2] / "docs/performance.md").read_text("utf-8").splitlines()
    rows = [[cell.strip() for cell in line.split("|")[1:4]] for line in lines if line.startswith("|")]
    assert [row for row in rows if row[0] in GOALS] == [
        [goal.number, goal.words, f"{goal.bound:g}"] for goal in GOALS.values()
    ]
