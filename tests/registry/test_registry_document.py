"""docs/registry.md names what there is."""

from pathlib import Path

from service.registry.simulation.assumptions import Assumptions
from tests.registry.test_official_views import CASES as OFFICIAL
from tests.registry.test_official_views import MET
from tests.registry.test_views import CASES, REFUSED

TEXT = (Path(__file__).parents[2] / "docs" / "registry.md").read_text()


def table_after(heading):
    rows = TEXT.split(f"## {heading}\n")[1].split("\n## ")[0].splitlines()
    return [row.split("|")[1].strip() for row in rows if row.startswith("| ")][2:]


def test_every_view_and_measure_has_its_row(views, definitions):
    assert sorted(table_after("Tables")) == [view.name for view in views.views]
    assert sorted(table_after("Measures")) == sorted(one.key for one in definitions.measures)


def test_the_number_of_cases_is_the_number_of_tests():
    refused = [title for title, *_ in REFUSED if ": " in title]
    assert f"{len(CASES) + len(refused) + 1} cases after titles" in TEXT  # one more fails only when it runs
    assert f"({len(refused)} of them" in TEXT
    assert f"Of the {OFFICIAL} cases of the specification's own test files {MET} are met" in TEXT
    assert f"The other {OFFICIAL - MET} are refused" in TEXT


def test_the_assumptions_are_those_of_the_simulator():
    assumed = Assumptions()
    assert f"{assumed.length_mean:g} ± {assumed.length_sd:g} cm; {assumed.gap_mean:g} ± {assumed.gap_sd:g} cm" in TEXT
    assert f"gamma, {assumed.closure_days_mean:g} ± {assumed.closure_days_sd:g}" in TEXT
    assert f"gamma, {assumed.other_days_mean:g} ± {assumed.other_days_sd:g}" in TEXT
    assert "every 1, 2 or 2.5 days" in TEXT
    assert assumed.reset_intervals == (1.0, 2.0, 2.5)
