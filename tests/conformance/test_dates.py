"""FHIR dates against 23 published-form cases: data/fhir_datetime_cases.csv names the source of the expressions."""

import csv
from pathlib import Path

import pytest

from service.fhir.validate import check
from service.fhir.validate.primitives import test_of as primitive_test

_FILE = Path(__file__).with_name("data") / "fhir_datetime_cases.csv"


def _cases() -> list[dict[str, str]]:
    lines = [line for line in _FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


CASES = _cases()


def test_the_file_of_cases_is_whole():
    assert len(CASES) == 23


@pytest.mark.parametrize("primitive", ["date", "dateTime", "instant", "time"])
@pytest.mark.parametrize("case", CASES, ids=[case["value"] for case in CASES])
def test_a_date_is_accepted_when_it_has_the_published_form_and_the_day_exists(case, primitive):
    wanted = case[f"matches_{primitive}"] == "true"
    if primitive != "time":  # the column says whether the day exists; a time has none
        wanted = wanted and case["calendar_valid"] == "true"
    assert primitive_test(primitive)(case["value"]) is wanted


@pytest.mark.parametrize("case", CASES, ids=[case["value"] for case in CASES])
def test_the_same_verdict_stands_in_an_observation(case):
    observation = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "gap"},
        "effectiveDateTime": case["value"],
    }
    errors = [issue for issue in check(observation) if issue.severity == "error"]
    wanted = case["matches_dateTime"] == "true" and case["calendar_valid"] == "true"
    assert (not errors) is wanted
    assert all(issue.expression in ("Observation.effectiveDateTime", "") for issue in errors)


def test_a_time_of_day_belongs_to_no_date_type():
    # R4 datatypes: http://hl7.org/fhir/R4/datatypes.html#time, no zone and no date
    assert primitive_test("time")("14:35:00")
    assert not primitive_test("dateTime")("14:35:00")
