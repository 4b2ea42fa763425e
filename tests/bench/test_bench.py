"""The harness itself: it runs from end to end and speaks of every goal. What it measures is no matter of tests."""

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import orjson
import pytest

from tests.bench.__main__ import PARTS, TINY, run
from tests.bench.document import BEGIN, END, put_into
from tests.bench.goals import GOALS, reached
from tests.bench.publishing import main, table
from tests.bench.run import Run

DOCUMENT = Path(__file__).parents[2] / "docs/performance.md"


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Path]:
    """A run of the smallest size, and the folder that it wrote into."""
    folder = tmp_path_factory.mktemp("bench")
    return run(TINY, folder), folder


@pytest.mark.slow
def test_a_tiny_run_measures_every_goal(tiny: tuple[Run, Path]) -> None:
    found, folder = tiny
    written = orjson.loads((folder / "bench.json").read_bytes())
    assert [goal["goal"] for goal in written["goals"] if goal["measured"]] == list(GOALS)
    assert all(one.value > 0 for one in found.measures)


@pytest.mark.slow
def test_a_run_tells_the_machine_the_versions_and_how_busy_it_was(tiny: tuple[Run, Path]) -> None:
    found, _ = tiny
    told = table(found.as_json()).splitlines()[0]
    assert all(word in told for word in ("cores", "load average", "at the start", "python 3", "sqlite 3", "duckdb"))


@pytest.mark.slow
def test_the_drawing_has_a_labelled_curve_for_search_check_and_export(tiny: tuple[Run, Path]) -> None:
    _, folder = tiny
    drawn = ElementTree.parse(folder / "growth.svg")
    texts = {element.text for element in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {"search, p99", "check to commit", "export, each", "600", "1,200"} <= texts


@pytest.mark.slow
def test_a_run_is_put_between_the_marks_of_a_document_and_nowhere_else(
    tiny: tuple[Run, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, folder = tiny
    document = tmp_path / "performance.md"
    document.write_text(f"# Before\n\n{BEGIN}\nold\n{END}\n\nAfter\n", "utf-8")
    monkeypatch.setattr("sys.argv", ["publishing", str(folder / "bench.json"), "--into", str(document)])
    assert main() == 0
    text = document.read_text("utf-8")
    assert text.startswith(f"# Before\n\n{BEGIN}\nMeasured on ")
    assert text.endswith(f"{END}\n\nAfter\n")
    assert "old" not in text
    assert _goal_rows(text) == [[goal.number, goal.words, f"{goal.bound:g}"] for goal in GOALS.values()]
    assert (tmp_path / "growth.svg").read_bytes() == (folder / "growth.svg").read_bytes()


def test_a_document_without_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="no <!-- bench: begin -->"):
        put_into("# Nothing\n", {})


def test_a_run_that_is_broken_off_leaves_what_it_had_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setitem(PARTS, "command-line", lambda *_: iter([reached("9", 5.0)]))
    monkeypatch.setitem(PARTS, "http", broken)
    with pytest.raises(RuntimeError, match="the disk is full"):
        run(TINY, tmp_path, ["command-line", "http"])
    written = orjson.loads((tmp_path / "bench.json").read_bytes())
    assert [goal["goal"] for goal in written["goals"] if goal["measured"]] == ["9"]


def test_the_document_has_every_goal_with_its_bound() -> None:
    text = DOCUMENT.read_text("utf-8")
    assert _goal_rows(text) == [[goal.number, goal.words, f"{goal.bound:g}"] for goal in GOALS.values()]


def _goal_rows(document: str) -> list[list[str]]:
    """Number, words and bound of each row of the table of goals."""
    published = document.partition(BEGIN)[2].partition(END)[0].splitlines()
    rows = [[cell.strip() for cell in line.split("|")[1:4]] for line in published if line.startswith("|")]
    return [row for row in rows if row[0] in GOALS]


def test_the_growth_on_paper_adds_up() -> None:
    """As the document says: 4 checks a day; 40 resources and 0.2 MB each; a busiest second of four times the mean."""
    growth = DOCUMENT.read_text("utf-8").partition("## Growth, on paper")[2]
    rows = [line.split("|")[2:7] for line in growth.splitlines() if line.startswith("|") and "check" in line][1:4]
    assert [[_amount(cell) for cell in row[:4]] for row in rows] == [
        [courses, courses * 4, courses * 4 * 40, courses * 4 * 200_000] for courses in (20, 10_000, 500_000)
    ]
    busiest = [courses * 4 / 86_400 * 4 for courses in (20, 10_000, 500_000)]
    assert [row[4].strip() for row in rows] == [
        f"{each:.0f} checks" if each >= 1 else "under 1 check" for each in busiest
    ]


def _amount(cell: str) -> float:
    number, *units = cell.replace(",", "").split()
    return float(number) * {"million": 1e6, "MB": 1e6, "GB": 1e9}[units[0]] if units else float(number)
