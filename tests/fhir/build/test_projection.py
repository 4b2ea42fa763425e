"""What holds of every projection: references, ids, digits, key order, determinism, and other people's FHIR models."""

import dataclasses
import json
import re
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from importlib import resources
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from msgspec import Struct
from msgspec.structs import asdict

from service.clinic.course import steps
from service.clinic.quantities import present
from service.clinic.standing import standing
from service.fhir import wire
from service.fhir.profiles import profile_rules
from service.fhir.project import Frame, context_of, project_entry, provenance, transaction_bundle
from service.fhir.validate import check
from service.terminology import load
from tests.fhir.build.course_of_nine import (
    ALL,
    CHECK_1,
    FRAME,
    NOW,
    OPEN,
    POLICY,
    SITE,
    TERMS,
    charted,
    context_for,
    course,
    projected,
)

BASE = "https://fhir.harbour-hospital.example/r4"
BUILT = {"open": projected(OPEN), "whole": projected(ALL), "empty": projected(())}
EVERY = [one for built in BUILT.values() for one in built]
RULES = profile_rules(TERMS)


def nodes(node: Any) -> Iterator[Any]:
    yield node
    for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from nodes(child)


@pytest.mark.parametrize("built", BUILT.values(), ids=BUILT)
def test_every_reference_resolves_within_the_projection(built):
    known = {one.reference for one in built}
    asked = {node["reference"] for one in built for node in nodes(one.resource)
             if isinstance(node, dict) and isinstance(node.get("reference"), str)}  # fmt: skip
    assert asked <= known
    assert asked


@pytest.mark.parametrize("built", BUILT.values(), ids=BUILT)
def test_no_two_resources_have_one_id_or_one_identifier(built):
    assert max(Counter((one.type, one.id) for one in built).values()) == 1
    identifiers = Counter(
        (one.type, i["system"], i["value"]) for one in built for i in one.resource.get("identifier", ())
    )
    assert max(identifiers.values()) == 1


def test_nothing_is_empty_and_nothing_is_null():
    for one in EVERY:
        for node in nodes(one.resource):
            assert node not in (None, "", [], {}), one.role


def test_no_decimal_has_an_exponent_and_no_float_is_left():
    for one in EVERY:
        assert not [node for node in nodes(one.resource) if isinstance(node, float)], one.role
        assert not re.search(r":-?[0-9.]+[eE]", wire.write(one.resource).decode()), one.role


def test_every_resource_passes_the_validator_and_the_rules_of_its_profile():
    for one in EVERY:
        assert [issue for issue in check(one.resource, RULES) if issue.severity != "information"] == [], one.role


def test_every_resource_is_one_that_an_independent_model_reads():
    # Source: fhir.resources, models of FHIR R4B generated from the published definitions.
    for one in EVERY:
        model = get_fhir_model_class(one.type).model_validate(json.loads(wire.write(one.resource)))
        assert model.id == one.id


def test_every_resource_names_its_profile_its_source_and_the_version_of_the_tables():
    for one in EVERY:
        assert list(one.resource)[:3] == ["resourceType", "id", "meta"]
        meta = one.resource["meta"]
        assert meta["profile"][0] in RULES
        assert f"/{SITE}/" in meta["source"]
        assert meta["tag"][0]["code"] == TERMS.version
        assert not {"versionId", "lastUpdated"} & set(meta)


def test_every_resource_has_a_generated_narrative_that_says_something():
    for one in EVERY:
        assert one.resource["text"]["status"] == "generated"
        assert len(re.sub(r"<[^>]+>", "", one.resource["text"]["div"])) > 5


def test_keys_stand_in_the_order_of_the_specification():
    # Source: element order of the published R4 4.0.1 StructureDefinitions, as in service/fhir/r4/tables.
    tables = resources.files("service.fhir.r4").joinpath("tables")
    for one in EVERY:
        published = json.loads(tables.joinpath(f"{one.type}.json").read_text())[one.type]
        order = list(published)
        places = [place(key, order) for key in one.resource if key != "resourceType"]
        assert places == sorted(places), (one.role, list(one.resource))


def place(key: str, order: list[str]) -> int:
    if key in order:
        return order.index(key)
    return next(n for n, name in enumerate(order) if name.endswith("[x]") and key.startswith(name[:-3]))


def numbers_of(node: Any) -> Iterator[Decimal]:
    """Every number of a reading, a metric or a policy, however deep."""
    if isinstance(node, bool) or node is None:
        return
    if isinstance(node, int | Decimal | float):
        yield Decimal(str(node))
    elif isinstance(node, Struct):
        yield from numbers_of(asdict(node))
    elif dataclasses.is_dataclass(node):
        for field in dataclasses.fields(node):
            yield from numbers_of(getattr(node, field.name))
    elif isinstance(node, dict):
        for value in node.values():
            yield from numbers_of(value)
    elif isinstance(node, list | tuple):
        for value in node:
            yield from numbers_of(value)


def test_every_number_that_leaves_occurs_in_the_readings_the_metrics_or_the_policy():
    stand = standing(charted(ALL))
    known = set(numbers_of(course())) | set(numbers_of(POLICY)) | set(numbers_of(charted(ALL)))
    for step in steps(course(), stand, POLICY):
        known |= {present(number) for number in numbers_of(step.fold.summary(step.entry.entry.at))}
    for mark in ("17.0", "19.0", "17.5", "14.0", "20.5", "19.5", "15.5"):  # of amended and retracted contents too
        known |= set(numbers_of(forces_of(mark)))
    allowed = {number.scaleb(places) for number in known for places in (0, -1, 2)}
    for one in BUILT["whole"]:
        for node in nodes(one.resource):
            if isinstance(node, dict) and "value" in node and "code" in node:
                assert Decimal(node["value"]) in allowed, (one.role, node)


def forces_of(mark_mm: str) -> list[Decimal]:
    from service.fhir.build.shown import force_figures

    ratio = Decimal(mark_mm) / 10
    return [present(ratio), *force_figures(ratio)]


def test_the_same_input_gives_the_same_bytes():
    again = Frame(SITE, POLICY, load(), "0.1.0")
    first, second = ([wire.write(one.resource) for one in projected(ALL, frame=frame)] for frame in (FRAME, again))
    assert first == second


def test_building_changes_no_shared_sub_tree():
    before = {key: json.dumps(TERMS.concept(key)) for key in TERMS.concepts}
    metas = json.dumps(FRAME.metas)
    projected(ALL)
    assert {key: json.dumps(TERMS.concept(key)) for key in TERMS.concepts} == before
    assert json.dumps(FRAME.metas) == metas


def test_a_context_can_be_made_in_one_call():
    stand = standing(charted(OPEN))
    context = context_of(SITE, course(), stand, POLICY, TERMS, "0.1.0")
    step = next(iter(steps(course(), stand, POLICY)))
    assert [one.resource for one in project_entry(context, step)] == [
        one.resource for one in BUILT["open"] if one.entry_id == "i1" and one.role not in ("device-use", "reset-task")
    ]


def test_two_sites_share_no_id():
    other = {one.id for one in projected(ALL, frame=Frame("west-wing", POLICY, TERMS, "0.1.0"))}
    assert other.isdisjoint({one.id for one in BUILT["whole"]})


def test_a_transaction_puts_every_resource_and_refers_only_to_what_is_in_it():
    (check_entry,) = charted([CHECK_1])
    targets = [(one.type, one.id, None) for one in BUILT["whole"]]
    origin = provenance(context_for(), check_entry.entry, targets, NOW)
    bundle = transaction_bundle(BUILT["whole"], [origin], BASE)
    assert [issue for issue in check(bundle, RULES) if issue.severity == "error"] == []
    get_fhir_model_class("Bundle").model_validate(json.loads(wire.write(bundle)))
    urls = {entry["fullUrl"] for entry in bundle["entry"]}
    assert len(urls) == len(bundle["entry"]) == len(BUILT["whole"]) + 1
    for entry in bundle["entry"]:
        assert entry["fullUrl"] == f"{BASE}/{entry['request']['url']}"
        assert entry["request"]["method"] == "PUT"
    for node in nodes(bundle):
        if isinstance(node, dict) and isinstance(node.get("reference"), str):
            assert f"{BASE}/{node['reference']}" in urls


def test_in_a_transaction_the_patient_comes_first_and_the_origin_last():
    origin = {"resourceType": "Provenance", "id": "p"}
    order = [entry["resource"]["resourceType"] for entry in transaction_bundle(BUILT["whole"], [origin], BASE)["entry"]]
    assert order[0] == "Patient"
    assert order[-1] == "Provenance"
    assert order.index("Device") < order.index("Procedure") < order.index("Observation") < order.index("Task")


def test_a_course_with_the_longest_names_stays_within_the_bounds_of_ids_and_identifiers():
    long = course(course_id="c" * 64)
    for one in projected(ALL, of=long):
        assert re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", one.id)
        assert all(len(i["value"]) < 64 for i in one.resource.get("identifier", ()))
