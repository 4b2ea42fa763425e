"""No false alarm on the official R4 examples (npm package hl7.fhir.r4.examples 4.0.1, published by HL7).

Every example of a type that has a table here is checked, those that break R4 themselves against `faulty_examples.py`.
"""

from pathlib import Path

import pytest

from service.fhir import wire
from service.fhir.r4 import TABLES_FOLDER, constraints, tabled_types
from service.fhir.r4.extract import extract_codes, extract_units
from service.fhir.r4.generate import bound_value_sets
from service.fhir.r4.generate import main as generate
from service.fhir.validate import Issue, check_bytes, is_valid, rules
from tests.conformance.faulty_examples import FAULTY
from tests.conformance.npm import EXAMPLES, EXPANSIONS, package
from tests.conformance.schema import official_schema_errors

LARGEST = 64 * 1024 * 1024  # Bundle-resources, the specification itself as one Bundle, has 35 MB

# R4 constraints of severity error that are not asked: they bind the authors of profiles (ElementDefinition,
# StructureDefinition), need a terminology or another resource, or stand in the cardinality already
NOT_ASKED = {
    **{key: "authors of profiles" for key in constraints() if key.startswith(("eld-", "sdf-"))},
    "ctm-1": "needs the member itself, which may be elsewhere",
    "ele-1": "part of the walk: no element is empty",
    "sqty-1": "the table of SimpleQuantity has no comparator",
    "mqty-1": "MoneyQuantity stands in no resource that has a table here",
    "trd-3": "TriggerDefinition stands in no resource that this service takes",
}


def _files(kind: str) -> list[Path]:
    return sorted(package(*EXAMPLES).glob(f"{kind}-*.json"))


def _errors(raw: bytes) -> list[Issue]:
    return [issue for issue in check_bytes(raw, max_bytes=LARGEST) if issue.severity == "error"]


@pytest.mark.parametrize("kind", sorted(tabled_types()))
def test_an_official_example_is_refused_only_where_it_breaks_r4_itself(kind):
    for file in _files(kind):
        errors = _errors(file.read_bytes())
        if file.stem in FAULTY:
            reason, text = FAULTY[file.stem]
            assert errors, f"{file.stem} is listed as faulty ({reason}) and is accepted"
            assert all(text in f"{e.expression} {e.diagnostics}" for e in errors), f"{file.stem}: {errors[:3]}"
        else:
            assert errors == [], f"{file.stem}: {errors[:3]}"


@pytest.mark.parametrize("kind", sorted(tabled_types()))
def test_the_fast_verdict_is_the_verdict_of_the_whole_check(kind):
    for file in _files(kind):
        raw = file.read_bytes()
        if len(raw) < wire.MAX_BYTES:
            assert is_valid(wire.read(raw), raw) is (file.stem not in FAULTY), file.stem


def test_every_listed_faulty_example_exists():
    missing = [stem for stem in FAULTY if not (package(*EXAMPLES) / f"{stem}.json").is_file()]
    assert missing == []


@pytest.mark.parametrize("kind", ["Observation", "Patient", "CarePlan", "Goal", "Procedure", "Task", "Device", "Flag"])
def test_an_example_written_again_keeps_every_digit_and_satisfies_the_official_schema(kind):
    # wire.py beside the official fhir.schema.json, an opinion that shares nothing with the tables
    for file in _files(kind):
        resource = wire.read(file.read_bytes())
        written = wire.write(resource)
        assert wire.read(written) == resource
        if file.stem not in FAULTY:
            assert official_schema_errors(written) == [], file.stem


def test_every_published_constraint_is_asked_or_left_out_for_a_named_reason():
    published = {key for key, rule in constraints().items() if rule["severity"] == "error"}
    assert published - rules.registered() - NOT_ASKED.keys() == set()
    assert rules.registered() <= constraints().keys()


def test_the_committed_tables_are_those_of_the_published_definitions():
    assert generate(["--check"]) == 0


def test_the_committed_codes_and_units_are_those_of_the_official_packages():
    codes = extract_codes(package(*EXPANSIONS), bound_value_sets())
    units = extract_units(package(*EXAMPLES))
    assert (TABLES_FOLDER / "codes.json").read_text(encoding="utf-8") == codes
    assert (TABLES_FOLDER / "ucum.json").read_text(encoding="utf-8") == units
