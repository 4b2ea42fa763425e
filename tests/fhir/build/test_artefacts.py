"""The published artefacts: complete, valid, and saying the same as the tables and the code."""

import json
import re

import pytest
from fhir.resources.R4B import get_fhir_model_class

from service.fhir import wire
from service.fhir.build.artefacts import artefacts
from service.fhir.validate import check
from tests.fhir.build.course_of_nine import ALL, TERMS, projected
from tests.terminology.published import published_codes

MADE = artefacts(TERMS)
BY_URL = {made["url"]: made for made in MADE}
CODE_SYSTEM = next(made for made in MADE if made["resourceType"] == "CodeSystem")
CONCEPT_MAP = next(made for made in MADE if made["resourceType"] == "ConceptMap")
DEFINITIONS = [made for made in MADE if made["resourceType"] == "StructureDefinition"]


@pytest.mark.parametrize("made", MADE, ids=lambda made: f"{made['resourceType']}-{made['id']}")
def test_every_artefact_is_valid_and_an_independent_model_reads_it(made):
    assert check(made) == []
    get_fhir_model_class(made["resourceType"]).model_validate(json.loads(wire.write(made)))


def test_every_artefact_has_an_address_of_its_own_that_ends_in_its_type_and_id():
    assert len(BY_URL) == len(MADE)
    for url, made in BY_URL.items():
        assert url == f"{TERMS.base}/{made['resourceType']}/{made['id']}"
        assert re.fullmatch(r"[A-Z][A-Za-z0-9_]{0,254}", made["name"])


def test_every_own_code_that_leaves_is_defined_in_the_code_system():
    defined = {concept["code"]: concept for concept in CODE_SYSTEM["concept"]}
    assert CODE_SYSTEM["url"] == TERMS.local_system
    assert CODE_SYSTEM["count"] == len(defined) == len(CODE_SYSTEM["concept"])
    assert (CODE_SYSTEM["caseSensitive"], CODE_SYSTEM["content"]) == (True, "complete")
    sent = set()
    for one in projected(ALL):
        text = wire.write(one.resource).decode()
        sent |= set(re.findall(r'"system":"' + re.escape(TERMS.local_system) + r'","code":"([^"]+)"', text))
    assert len(sent) > 40
    assert sent <= set(defined)


def test_every_standard_code_that_leaves_is_a_published_one():
    allowed = set(published_codes())
    pairs = set()
    for one in projected(ALL):
        text = wire.write(one.resource).decode()
        pairs |= set(re.findall(r'"system":"(http://(?:loinc\.org|snomed\.info/sct))","code":"([^"]+)"', text))
    assert len(pairs) > 10
    assert pairs <= allowed


def test_every_own_code_is_mapped_or_said_to_be_unmatched_and_never_both():
    mapped = [e["code"] for g in CONCEPT_MAP["group"] if "target" in g for e in g["element"]]
    unmatched = [e["code"] for g in CONCEPT_MAP["group"] if "target" not in g for e in g["element"]]
    assert set(mapped).isdisjoint(unmatched)
    assert set(mapped) | set(unmatched) == {concept["code"] for concept in CODE_SYSTEM["concept"]}


def test_a_map_says_how_the_meanings_compare_and_where_they_differ_in_words():
    # Source: R4 ConceptMap, constraint cmd-1: a narrower or inexact target has a comment.
    for group in CONCEPT_MAP["group"]:
        for element in group["element"]:
            for target in element["target"]:
                assert target["equivalence"] in ("equivalent", "equal", "wider", "narrower", "inexact", "unmatched")
                assert target["equivalence"] in ("equivalent", "equal") or target["comment"]
                assert ("code" in target) == (target["equivalence"] != "unmatched")


def test_artefacts_that_carry_loinc_or_snomed_ct_carry_their_notices():
    words = {"http://loinc.org": "Regenstrief", "http://snomed.info/sct": "SNOMED International"}
    for made in MADE:
        text = wire.write({key: value for key, value in made.items() if key != "copyright"}).decode()
        if made["resourceType"] in ("ValueSet", "ConceptMap"):
            for system, word in words.items():
                assert (system in text) == (word in made.get("copyright", "")), made["id"]


def test_every_profile_that_a_resource_names_is_published_for_its_type():
    for one in projected(ALL):
        (url,) = one.resource["meta"]["profile"]
        assert BY_URL[url]["type"] == one.type


def test_every_own_extension_that_leaves_is_published():
    urls = set()
    for one in projected(ALL[:4]):
        urls |= set(re.findall(r'"url":"([^"]+)"', wire.write(one.resource).decode()))
    own = {url for url in urls if url.startswith(TERMS.base)}
    assert own == {made["url"] for made in DEFINITIONS if made["type"] == "Extension"}


def test_a_profile_constrains_its_base_and_only_paths_of_it():
    for made in DEFINITIONS:
        assert made["baseDefinition"].endswith(f"/{made['type']}")
        paths = [element["path"] for element in made["differential"]["element"]]
        assert paths[0] == made["type"]
        assert all(path.startswith(f"{made['type']}.") for path in paths[1:])
        assert len(set(paths)) == len(paths)
