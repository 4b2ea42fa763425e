"""The table of search parameters against the published R4 definitions (r4_search_parameters.csv names its source)."""

import csv
from pathlib import Path

import pytest

from service.search.parameters import COMMON, parameters

CHOICES = {"DateTime", "Period", "Timing", "Instant", "CodeableConcept", "Date", "Quantity"}


def published() -> dict[tuple[str, str], dict[str, str]]:
    lines = (Path(__file__).parent / "r4_search_parameters.csv").read_text("utf-8").splitlines()
    return {(row["base"], row["code"]): row for row in csv.DictReader(lines[1:])}


OURS = [(type_, each) for type_, of_type in parameters().items() for each in of_type.values() if each not in COMMON]


@pytest.mark.parametrize(("type_", "ours"), OURS, ids=[f"{type_}.{each.name}" for type_, each in OURS])
def test_each_parameter_is_the_published_one(type_, ours):
    row = published()[type_, ours.name]
    assert ours.kind == row["type"]
    assert ours.canonical == row["url"]
    if ours.kind == "reference":
        assert ours.targets == set(row["target"].split())


@pytest.mark.parametrize(("type_", "ours"), OURS, ids=[f"{type_}.{each.name}" for type_, each in OURS])
def test_each_path_is_one_that_the_published_expression_names(type_, ours):
    expression = published()[type_, ours.name]["expression"]
    for path in ours.paths:
        dotted = ".".join(path)
        # onsetDateTime is written onset.as(dateTime), due as (Goal.target.due as date), a HumanName is searched whole
        plain = next((dotted.removesuffix(choice) for choice in CHOICES if dotted.endswith(choice)), dotted)
        whole_name = f"{type_}.name" if ours.name == "name" else ""
        assert any(f"{type_}.{form}" in expression for form in (dotted, plain)) or whole_name == expression


@pytest.mark.parametrize("common", COMMON, ids=lambda each: each.name)
def test_the_parameters_of_every_type_are_the_published_ones(common):
    row = published()["Resource", common.name]
    assert (common.kind, common.canonical) == (row["type"], row["url"])


def test_row_27_every_type_has_the_parameters_it_must_have_where_r4_defines_them():
    asked = ("identifier", "patient", "subject", "code", "category", "status", "date")
    for (type_, name), row in published().items():
        if name in asked and type_ in parameters():
            assert name in parameters()[type_], f"{type_}.{name} ({row['type']}) is missing"


def test_a_composite_joins_what_the_published_definition_joins():
    """Components of the published definitions: Observation-code-value-quantity and its two sisters."""
    joined = {name: each.parts for name, each in parameters()["Observation"].items() if each.kind == "composite"}
    assert joined == {
        "code-value-quantity": ("code", "value-quantity"),
        "component-code-value-quantity": ("component-code", "component-value-quantity"),
        "combo-code-value-quantity": ("combo-code", "combo-value-quantity"),
    }


def test_an_implied_system_stands_only_beside_elements_of_type_code():
    for type_, of_type in parameters().items():
        for each in of_type.values():
            if each.system:
                assert each.kind == "token", f"{type_}.{each.name}"
                assert each.paths[0][-1] in {"status", "intent", "priority", "lifecycleStatus"}
