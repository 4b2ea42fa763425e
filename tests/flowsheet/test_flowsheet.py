"""Every row of the flowsheet guidance finds its values in the example courses, through the search API."""

from pathlib import Path

import pytest

from service.commands.flowsheet import flowsheet_text
from service.terminology import load
from service.terminology.flowsheet import COLUMNS, FILE, read_flowsheet
from service.terminology.tables import TerminologyFault, folder_of_tables
from tests.api.whole_side import all_pages, resources, whole_side

ROWS = read_flowsheet(load())
EXAMPLES = ("01", "04", "05", "06", "08", "10")
DOCUMENT = Path(__file__).parents[2] / "docs" / "flowsheet.md"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("flowsheet"), *EXAMPLES) as side:
        yield side


@pytest.fixture(scope="module")
def patients(whole):
    return [each["id"] for each in resources(whole.get("Patient?_count=100").json())]


def searched(whole, patients, code):
    """What a chart gets: one search a patient, by code."""
    found = []
    for patient in patients:
        answer = whole.get(f"Observation?patient={patient}&code={code[0]}|{code[1]}&_count=500&_sort=date")
        assert answer.status_code == 200, answer.text
        found += of_all_pages(whole, answer)
    return found


def of_all_pages(whole, first):
    return [each for page in all_pages(whole, first) for each in resources(page)]


def parts_of(row, observation):
    if row.component_code is None:
        return [observation]
    return [
        each
        for each in observation.get("component", ())
        if row.component_code in {(coding["system"], coding["code"]) for coding in each["code"]["coding"]}
    ]


def values_of(row, observations):
    """Values at the place that the row names; all of them must have its kind, unit and category."""
    found = []
    for observation in observations:
        categories = {coding["code"] for each in observation["category"] for coding in each["coding"]}
        assert categories == {row.category}, row.key
        for part in parts_of(row, observation):
            if "dataAbsentReason" in part:
                continue
            assert row.value in part, (row.key, part)
            value = part[row.value]
            if row.unit:
                assert (value["system"], value["code"]) == ("http://unitsofmeasure.org", row.unit), row.key
            found.append(value)
    return found


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_every_row_finds_values_of_its_kind_and_unit(whole, patients, row):
    assert values_of(row, searched(whole, patients, row.code)), row.key


@pytest.mark.parametrize("row", [row for row in ROWS if row.loinc], ids=lambda row: row.key)
def test_the_loinc_first_search_finds_the_same_observations(whole, patients, row):
    by_loinc = {each["id"] for each in searched(whole, patients, row.loinc)}
    assert by_loinc == {each["id"] for each in searched(whole, patients, row.code)}


def test_no_value_that_a_check_gives_is_left_out_of_the_table(whole, patients):
    left_out = {
        "closure-check",  # the panel: it has members and no value
        "closable-within-24h", "closable-within-48h", "closable-within-72h",  # probabilities: the two limits say it
        "relative-band-force-low", "relative-band-force-high",
        "items-found", "items-left-on-purpose", "items-unaccounted-escalated",  # parts of the balance of a count
    }  # fmt: skip
    known = {code for row in ROWS for code in (row.code[1], row.component_code and row.component_code[1])} | left_out
    for patient in patients:
        for each in of_all_pages(whole, whole.get(f"Observation?patient={patient}&_count=1000")):
            for part in (each, *each.get("component", ())):
                codes = {coding["code"] for coding in part["code"]["coding"]}
                assert codes & known, codes


def test_the_page_is_current():
    assert DOCUMENT.read_text("utf-8") == flowsheet_text(), "run closure-readings reference"


def test_the_page_names_every_row_and_its_unit():
    lines = flowsheet_text().splitlines()
    for row in ROWS:
        line = next(line for line in lines if line.startswith(f"| {row.label} |"))
        assert f"`{row.unit}`" in line or not row.unit


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("x,X,nothing,,quantity,cm,exam,one,", "no concept 'nothing'"),
        ("x,X,gap-width,nothing,quantity,cm,exam,one,", "no concept 'nothing'"),
        ("x,X,gap-width,,quantity,,exam,one,", "a quantity has a unit"),
        ("x,X,gap-width,,coded,cm,exam,one,", "a quantity has a unit"),
        ("x,X,gap-width,,number,cm,exam,one,", "is none of"),
        ("x,X,gap-width,,quantity,furlong,exam,one,", "'furlong' is not known"),
        ("x,X,gap-width,,quantity,cm,lab,one,", "is not known"),
        ("gap-width,X,gap-width,,quantity,cm,exam,one,", "a second row of gap-width"),
    ],
)
def test_a_faulty_row_is_refused_by_file_and_row(tmp_path, line, why):
    text = (folder_of_tables() / FILE).read_text("utf-8")
    (tmp_path / FILE).write_text(f"{text}{line}\n", "utf-8")
    with pytest.raises(TerminologyFault) as refused:
        read_flowsheet(load(), tmp_path)
    assert why in str(refused.value)
    assert f"{FILE} row {len(text.splitlines()) + 1}" in str(refused.value)
    assert len(COLUMNS) == line.count(",") + 1
