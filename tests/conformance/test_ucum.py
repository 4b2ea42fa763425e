"""Unit codes against the UCUM facts of data/ucum_*.csv (their first lines name the sources)."""

import csv
import json
from importlib.resources import files
from pathlib import Path

import pytest

from service.fhir.r4 import common_units
from service.fhir.validate import check
from service.fhir.validate.units import unit_codes

_FOLDER = Path(__file__).with_name("data")


def _cases(name: str) -> list[tuple[str, bool]]:
    lines = [x for x in (_FOLDER / name).read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
    return [(row["unit"], row["valid"] == "true") for row in csv.DictReader(lines)]


CASES = _cases("ucum_cases.csv") + _cases("ucum_codes_for_this_service.csv")


def _errors(code: str) -> list[str]:
    quantity = {"value": 1, "unit": "as coded", "system": "http://unitsofmeasure.org", "code": code}
    observation = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "valueQuantity": quantity}
    return [issue.expression for issue in check(observation) if issue.severity == "error"]


def test_the_files_of_cases_are_whole():
    assert len(_cases("ucum_cases.csv")) == 27
    assert len(_cases("ucum_codes_for_this_service.csv")) == 24


@pytest.mark.parametrize(("code", "valid"), CASES)
def test_a_unit_is_accepted_exactly_when_ucum_knows_it(code, valid):
    assert (_errors(code) == []) is valid


@pytest.mark.parametrize("code", ["mmHg", "cm^2", "days", "cm ", " cm", "CM", "Mm[Hg]"])
def test_a_unit_near_a_right_one_is_refused_at_its_code(code):
    # UCUM is case-sensitive (`c/s` form) and knows no blanks: https://ucum.org/ucum, sections 3 and 4
    assert "Observation.valueQuantity.code" in _errors(code)


def test_every_code_of_our_own_is_read_by_an_independent_ucum_parser():
    lark = pytest.importorskip("lark")
    ucumvert = pytest.importorskip("ucumvert")
    parser = ucumvert.PintUcumRegistry()
    own = json.loads(files("service.fhir.validate").joinpath("units.json").read_bytes())["codes"]
    for code in own:
        parser.from_ucum(code)
    with pytest.raises(lark.exceptions.LarkError):
        parser.from_ucum("cm^2")


def test_our_own_codes_stand_beside_the_published_list_not_in_it():
    assert len(common_units()) > 1300
    assert {"cm/d", "mm/d", "{score}"} <= unit_codes() - common_units()


def test_text_units_without_the_ucum_system_are_left_alone():
    quantity = {"value": 3, "unit": "bands"}
    observation = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "valueQuantity": quantity}
    assert check(observation) == []
