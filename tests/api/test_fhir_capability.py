"""Rows 57 and 58: the CapabilityStatement claims what is there; each claim is called
(https://hl7.org/fhir/R4/capabilitystatement.html)."""

from datetime import UTC

import fhir.resources.R4B.capabilitystatement
import pytest

from service.search.criteria import SearchError, Setting
from service.search.parameters import parameters
from service.search.query import parse
from tests.api.fhir_client import BASE, NOW, FhirSide, found_ids, links
from tests.store.samples import observation

PROFILE = "https://closure-readings.example/fhir/StructureDefinition/gap-width"
VALUES = {
    "token": "x", "date": "2024", "reference": "Patient/p-1", "string": "x", "quantity": "gt1||mm",
    "composite": "x$gt1",
}  # fmt: skip


@pytest.fixture
def side(tmp_path):
    opened = FhirSide(tmp_path, zone="Europe/Berlin", profiles={"Observation": [PROFILE]})
    opened.save(observation(1))
    yield opened
    opened.client.close()
    opened.store.close()


def test_row_57_the_statement(side):
    answer = side.get("metadata")
    statement = answer.json()
    fhir.resources.R4B.capabilitystatement.CapabilityStatement.model_validate_json(answer.content)
    assert (statement["kind"], statement["fhirVersion"]) == ("instance", "4.0.1")
    assert statement["implementation"]["url"] == BASE
    assert "json" in statement["format"]
    assert [rest["mode"] for rest in statement["rest"]] == ["server"]
    assert "Europe/Berlin" in statement["rest"][0]["documentation"]  # row 43: the zone is published


def test_row_57_the_entity_tag_spares_a_second_read_and_changes_with_the_statement(side, tmp_path_factory):
    tag = side.get("metadata").headers["etag"]
    assert side.get("metadata", if_none_match=tag).status_code == 304
    other = FhirSide(tmp_path_factory.mktemp("other"), zone="UTC")
    assert other.get("metadata").headers["etag"] != tag
    other.client.close()
    other.store.close()


def resources(side):
    return side.get("metadata").json()["rest"][0]["resource"]


def test_row_58_profiles_are_named(side):
    assert {each["type"]: each.get("supportedProfile") for each in resources(side)}["Observation"] == [PROFILE]


def test_row_58_every_type_and_parameter_served_is_claimed_and_no_other(side):
    claimed = {each["type"]: {parameter["name"] for parameter in each["searchParam"]} for each in resources(side)}
    assert claimed == {type_: set(of_type) for type_, of_type in parameters().items()}


def test_row_58_every_claimed_interaction_works(side):
    for each in resources(side):
        codes = [interaction["code"] for interaction in each["interaction"]]
        assert codes == ["read", "vread", "history-instance", "search-type"]
    assert side.get("Observation/p-1-o-1").status_code == 200
    assert side.get("Observation/p-1-o-1/_history/1").status_code == 200
    assert side.get("Observation/p-1-o-1/_history").status_code == 200
    for each in resources(side):
        assert side.get(each["type"], prefer="handling=strict").status_code == 200


def test_row_58_every_claimed_parameter_is_used(side):
    for each in resources(side):
        for parameter in each["searchParam"]:
            name, value = parameter["name"], VALUES[parameter["type"]]
            targets = parameters()[each["type"]][name].targets
            if targets:
                value = f"{sorted(targets)[0]}/p-1"
            answer = side.get(f"{each['type']}?{name}={value}", prefer="handling=strict")
            assert answer.status_code == 200, (each["type"], name, answer.text)
            assert f"{name}=" in links(answer.json())["self"]


def test_row_58_what_is_not_claimed_is_refused(side):
    for each in resources(side):
        type_ = each["type"]
        for flag in ("updateCreate", "conditionalCreate", "conditionalUpdate"):
            assert each[flag] is False
        assert each["conditionalDelete"] == "not-supported"
        assert side.get(f"{type_}?_include=*").status_code == 400
        assert side.get(f"{type_}?_revinclude=*").status_code == 400
        assert side.client.post(f"/fhir/{type_}", json={}).status_code == 405
        assert side.client.put(f"/fhir/{type_}/1", json={}).status_code == 405
        assert side.client.put(f"/fhir/{type_}?identifier=x", json={}).status_code == 405
        assert side.client.delete(f"/fhir/{type_}/1").status_code == 405
        assert side.get(f"{type_}/_history").status_code == 404
        assert side.get(f"{type_}/$validate").status_code == 404
    assert side.get("Medication").status_code == 404


def test_row_58_every_claimed_include_works_and_provenance_of_everything_is_among_them(side):
    for each in resources(side):
        for asked, claimed in (("_include", "searchInclude"), ("_revinclude", "searchRevInclude")):
            for value in each.get(claimed, ()):
                answer = side.get(f"{each['type']}?{asked}={value}", prefer="handling=strict")
                assert answer.status_code == 200, (each["type"], value, answer.text)
                assert f"{asked}={value}" in links(answer.json())["self"]
        assert "Provenance:target" in each["searchRevInclude"]


def test_row_58_an_include_that_is_not_claimed_is_refused(side):
    claimed = {each["type"]: (each.get("searchInclude", ()), each["searchRevInclude"]) for each in resources(side)}
    for type_, (includes, reverse) in claimed.items():
        for source, of_source in parameters().items():
            for name in of_source:
                for asked, known in (("_include", includes), ("_revinclude", reverse)):
                    value = f"{source}:{name}"
                    assert parses(type_, asked, value) is (value in known), (type_, asked, value)


def parses(type_: str, asked: str, value: str) -> bool:
    try:
        parse(type_, [(asked, value)], Setting(BASE, UTC, NOW))
    except SearchError:
        return False
    return True


def test_row_58_conditional_read_is_there_in_both_forms(side):
    assert {each["conditionalRead"] for each in resources(side)} == {"full-support"}


def test_sorting_is_by_every_date_and_by_id(side):
    for type_, of_type in parameters().items():
        for each in of_type.values():
            if each.kind == "date" or each.name == "_id":
                answer = side.get(f"{type_}?_sort=-{each.name}", prefer="handling=strict")
                assert answer.status_code == 200, (type_, each.name)
                assert found_ids(answer.json()) == (["p-1-o-1"] if type_ == "Observation" else [])
