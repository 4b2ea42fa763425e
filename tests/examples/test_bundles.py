"""The Bundles beside the course files are what the service makes of them today."""

import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
KINDS = ("Patient", "Encounter", "Condition")


@pytest.fixture(scope="module")
def regenerate() -> ModuleType:
    sys.path.insert(0, str(EXAMPLES))
    try:
        import regenerate
    finally:
        sys.path.remove(str(EXAMPLES))
    return regenerate


def test_every_bundle_is_current(regenerate: ModuleType) -> None:
    golden = list(regenerate.golden_bundles())
    assert len(golden) == len(regenerate.course_paths()) == 10
    assert [path.parent.name for path, content in golden if regenerate.stale(path, content)] == []


def test_a_bundle_with_a_resource_a_line_is_the_same_bundle_to_the_digit(regenerate: ModuleType) -> None:
    bundle = regenerate.bundle_of(regenerate.course_paths()[0].read_bytes())
    lines = regenerate.resource_a_line(bundle)
    assert digits(lines) == digits(bundle)
    assert lines.count(b"\n") == len(json.loads(bundle)["entry"]) + 2


def digits(document: bytes) -> Any:
    """Numbers as they are written."""
    return json.loads(document, parse_float=str, parse_int=str)


def test_the_two_wounds_of_the_forearm_are_of_one_patient_and_one_stay() -> None:
    bundles = [json.loads((EXAMPLES / f"02-forearm-two-wounds/bundle-{n}.json").read_bytes()) for n in (1, 2)]
    resources = [[entry["resource"] for entry in bundle["entry"]] for bundle in bundles]
    ids = [{kind: {r["id"] for r in found if r["resourceType"] == kind} for kind in KINDS} for found in resources]
    assert ids[0]["Patient"] == ids[1]["Patient"]
    assert ids[0]["Encounter"] == ids[1]["Encounter"]
    assert len(ids[0]["Patient"]) == 1
    assert not ids[0]["Condition"] & ids[1]["Condition"]
