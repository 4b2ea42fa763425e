"""The official test files of SQL on FHIR v2 on the view runner: each case is met, or refused for a reason told here."""

import json
from collections import Counter

import duckdb
import pytest

from service.registry.views.definition import FaultyView
from tests.registry.official_views import official_files
from tests.registry.test_views import run

CASES, MET = 144, 113
# What is not taken (docs/registry.md, Tables): file, title or None for every case of the file, words of the refusal.
NOT_TAKEN = [
    ("repeat.json", None, "not supported"),
    ("row_index.json", "%rowIndex with repeat", "not supported"),
    ("fn_boundary.json", None, "not of the subset"),  # tagged `experimental`
    ("constant_types.json", "dateTime", "'DetectedIssue' is no resource type"),  # types that no course has
    ("constant_types.json", "positiveInt", "'ClaimResponse' is no resource type"),
    ("constant_types.json", "unsignedInt", "'ImagingStudy' is no resource type"),
]


@pytest.fixture(scope="module")
def cases():
    return [
        (name, content["resources"], case) for name, content in official_files().items() for case in content["tests"]
    ]


def not_taken(name, case):
    """The words of the refusal, where the case asks for something that this runner does not take."""
    return next((why for file, title, why in NOT_TAKEN if file == name and title in (None, case["title"])), None)


def rows_as_text(rows):
    """Comparable in any order; JSON has one kind of number, so 5.0 is 5."""

    def plain(value):
        return int(value) if isinstance(value, float) and value.is_integer() else value

    return sorted(json.dumps({key: plain(value) for key, value in row.items()}, sort_keys=True) for row in rows)


def faults_of(case, resources, folder):
    """What is wrong with the runner's answer to a case; nothing: None."""
    try:
        rows = run(case["view"], folder, resources)
    except (FaultyView, duckdb.Error) as fault:
        return None if case.get("expectError") else f"{type(fault).__name__}: {fault}"
    if case.get("expectError"):
        return f"an error was expected, not {rows}"
    if "expectCount" in case:
        return None if len(rows) == case["expectCount"] else f"{len(rows)} rows"
    return None if rows_as_text(rows) == rows_as_text(case["expect"]) else f"{rows}, not {case['expect']}"


def test_every_official_case_that_applies_is_met(cases, tmp_path):
    taken = [(name, resources, case) for name, resources, case in cases if not_taken(name, case) is None]
    faults = {(name, case["title"]): faults_of(case, resources, tmp_path) for name, resources, case in taken}
    assert {key: fault for key, fault in faults.items() if fault is not None} == {}
    assert (len(cases), len(taken)) == (CASES, MET)


def test_every_official_case_that_does_not_apply_is_refused_before_it_runs(cases, tmp_path):
    refused = Counter()
    for name, resources, case in cases:
        if (why := not_taken(name, case)) is not None:
            with pytest.raises(FaultyView, match=why):
                run(case["view"], tmp_path, resources)
            refused[name] += 1
    assert refused == {"repeat.json": 19, "row_index.json": 1, "fn_boundary.json": 8, "constant_types.json": 3}
