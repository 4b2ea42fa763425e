"""The operations against their published OperationDefinitions (R4 4.0.1, in the npm package hl7.fhir.r4.examples)."""

import json

import pytest

from service.api.operations import OFFERED
from service.fhir.capability import Beside
from service.fhir.operations import everything, translating, validating
from tests.conformance.npm import EXAMPLES, package

# What of the published inputs is answered, and what is refused by name.
INPUTS = {
    "Resource-validate": ({"resource", "mode", "profile"}, set()),
    "Patient-everything": (set(everything.INPUTS) - {everything.CURSOR, "_format"}, set()),
    "Observation-lastn": ({"max"}, set()),
    "ConceptMap-translate": (set(translating.KNOWN), set(translating.NOT_SERVED)),
}


def definition(name):
    return json.loads((package(*EXAMPLES) / f"OperationDefinition-{name}.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", sorted(INPUTS))
def test_every_published_input_is_answered_or_refused_by_name_and_no_other_is_taken(name):
    served, refused = INPUTS[name]
    published = {each["name"] for each in definition(name)["parameter"] if each["use"] == "in"}
    assert served | refused == published


def test_what_is_claimed_is_claimed_by_its_published_url_and_for_its_own_type():
    beside = Beside(operations=OFFERED)
    claimed = {
        row["definition"]: type_
        for type_ in ("Patient", "Observation", "ConceptMap")
        for row in beside.operations_of(type_)
    }
    assert {url.rpartition("/")[2] for url in claimed} == set(INPUTS)
    for url, type_ in claimed.items():
        published = definition(url.rpartition("/")[2])
        assert published["url"] == url
        assert set(published["resource"]) & {type_, "Resource"}
        assert published.get("affectsState", False) is False  # so that GET may be used


def test_the_modes_are_those_of_the_published_value_set():
    published = json.loads((package(*EXAMPLES) / "CodeSystem-resource-validation-mode.json").read_text("utf-8"))
    assert set(validating.MODES) == {concept["code"] for concept in published["concept"]}
