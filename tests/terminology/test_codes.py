"""Standard codes in use: only published ones, with their displays and check digits, and none of them in Python."""

import ast
import re
from pathlib import Path

import pytest

from service.terminology import load
from service.terminology.check_digits import luhn_holds, verhoeff_holds
from tests.terminology.published import published_codes

ROOT = Path(__file__).resolve().parents[2]
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"
TERMS = load()
IN_USE = [(concept, row) for concept in TERMS.concepts.values() for row in concept.standard]


def test_every_standard_code_in_use_is_published_with_grade_a_or_b_and_as_it_is_written_here():
    allowed = published_codes()
    assert IN_USE
    for concept, row in IN_USE:
        found = allowed[TERMS.systems[row["system"]], row["code"]]
        assert (row["display"], row["grade"], row["gps"]) == (found["display"], found["grade"], found["gps"]), concept
        assert found["grade"] in ("A", "B")


def test_the_check_digit_of_every_published_code_holds():
    # Source: LOINC and SNOMED CT give every code a check digit; the survey found all of these sound.
    for system, code in published_codes():
        assert (luhn_holds if system == LOINC else verhoeff_holds)(code), code


# Codes that were found in public material and are none: their check digits fail (the survey's list of traps).
@pytest.mark.parametrize("code", ["81121007", "262519003", "14413003", "230713005", "439557001"])
def test_an_invented_snomed_ct_identifier_is_caught(code):
    assert not verhoeff_holds(code)


@pytest.mark.parametrize("code", ["89254-0", "89255-7"])
def test_an_invented_loinc_code_is_caught(code):
    assert not luhn_holds(code)


def test_every_single_digit_error_and_every_swap_of_neighbours_in_a_snomed_ct_identifier_is_caught():
    # Source: J. Verhoeff, Error Detecting Decimal Codes, 1969: all single errors, all transpositions of neighbours.
    code = "360060007"
    for place in range(len(code)):
        for digit in "0123456789":
            changed = code[:place] + digit + code[place + 1 :]
            assert verhoeff_holds(changed) == (changed == code)
    for place in range(len(code) - 1):
        swapped = code[:place] + code[place + 1] + code[place] + code[place + 2 :]
        assert verhoeff_holds(swapped) == (swapped == code)


@pytest.mark.parametrize("text", ["", "12345", "1234567890123456789", "39135-9", "12a4567", "１２３４５６７"])
def test_what_is_no_number_is_no_snomed_ct_identifier(text):
    assert not verhoeff_holds(text)


@pytest.mark.parametrize("text", ["", "-", "391359", "39135-", "39135-99", "3913a-9", "39135-x"])
def test_what_has_another_shape_is_no_loinc_code(text):
    assert not luhn_holds(text)


def test_hl7_values_in_use_are_codes_of_r4_where_r4_lists_them():
    # Source: the required bindings of FHIR R4 4.0.1 as generated into service/fhir/r4/tables/codes.json.
    import json

    listed = json.loads((ROOT / "service/fhir/r4/tables/codes.json").read_text())["value_sets"]
    known = {"condition-clinical": "condition-clinical", "condition-verification": "condition-ver-status"}
    for name, value_set in known.items():
        codes = {code for (set_name, code) in TERMS._hl7 if set_name == name}
        assert codes
        assert all(code in json.dumps(listed[value_set]) for code in codes)


def _literals(file: Path) -> list[str]:
    """Every text in a module but its docstrings."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
    ]


# The tables of R4 facts and the checks over them name the systems they check; they emit nothing.
BUILDERS = sorted(
    [
        *(ROOT / "service/clinic").glob("*.py"),
        *(ROOT / "service/terminology").glob("*.py"),
        *(ROOT / "service/fhir/build").glob("*.py"),
        ROOT / "service/fhir/project.py",
        ROOT / "service/fhir/profiles.py",
    ]
)
SYSTEM_URL = re.compile(r"https?://(?!www\.w3\.org/1999/xhtml)|urn:(oid|iso|ietf)")


@pytest.mark.parametrize("file", BUILDERS, ids=lambda file: file.name)
def test_no_system_url_and_no_standard_code_stands_in_python(file):
    codes = {code for _, code in published_codes()}
    displays = {row["display"] for _, row in IN_USE if " " in row["display"]}
    for text in _literals(file):
        assert not SYSTEM_URL.search(text), text
        assert not codes & set(re.findall(r"[0-9][0-9-]{4,}", text)), text
        assert text not in displays
