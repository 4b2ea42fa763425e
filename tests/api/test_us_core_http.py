"""Rows 100 and 103: what a US site's clients find (US Core 6.1.0): the statement, and the SHALL search combinations.

The combinations for Observation are those of the us-core-server CapabilityStatement and of the quick starts of the
profiles: patient; patient and category; patient, category and date; patient and code.
"""

from urllib.parse import quote

import pytest

from tests.api.whole_side import all_pages, issues, resources, whole_side

PREFIX = "http://hl7.org/fhir/us/core/"
EXAM = "http://terminology.hl7.org/CodeSystem/observation-category|exam"


@pytest.fixture(scope="module")
def side(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("us-core"), "02", "03", us_core="6.1.0") as whole:
        yield whole


@pytest.fixture(scope="module")
def patient(side):
    return resources(side.get("Patient").json())[0]


def test_row_100_the_statement_says_which_release_is_followed_and_names_the_profiles(side):
    statement = side.get("metadata").json()
    followed = [url for url in statement["instantiates"] if url.startswith(PREFIX)]
    assert followed == [f"{PREFIX}CapabilityStatement/us-core-server|6.1.0"]
    rows = {row["type"]: row.get("supportedProfile", []) for row in statement["rest"][0]["resource"]}
    claimed = {type_: [url for url in urls if url.startswith(PREFIX)] for type_, urls in rows.items()}
    assert {type_: urls for type_, urls in claimed.items() if urls} == {
        "Patient": [f"{PREFIX}StructureDefinition/us-core-patient"],
        "Observation": [
            f"{PREFIX}StructureDefinition/us-core-observation-clinical-result",
            f"{PREFIX}StructureDefinition/us-core-simple-observation",
        ],
    }


def test_row_100_without_the_setting_nothing_is_claimed(tmp_path):
    with whole_side(tmp_path, "03") as plain:
        assert b"/us/core/" not in plain.get("metadata").content
        assert b"/us/core/" not in plain.get("Patient").content


def test_row_100_a_patient_is_found_by_id_identifier_and_name(side, patient):
    (identifier,) = patient["identifier"]
    for query in (
        f"_id={patient['id']}",
        f"identifier={quote(identifier['system'] + '|' + identifier['value'])}",
        f"name={patient['name'][0]['family']}",
        f"birthdate={patient['birthDate']}&name={patient['name'][0]['family']}",
        f"gender={patient['gender']}&name={patient['name'][0]['family']}",
    ):
        assert patient["id"] in [one["id"] for one in resources(side.get(f"Patient?{query}").json())], query


def everything(side, patient):
    pages = all_pages(side, side.get(f"Patient/{patient['id']}/$everything?_type=Observation"))
    return [one for page in pages for one in resources(page)]


def codes(concept):
    return {f"{coding['system']}|{coding['code']}" for coding in concept["coding"]}


def found(side, query):
    return {one["id"] for page in all_pages(side, side.get(f"Observation?{query}")) for one in resources(page)}


def test_row_103_the_combinations_find_what_a_plain_evaluation_finds(side, patient):
    held = everything(side, patient)
    days = sorted({one["effectiveDateTime"][:10] for one in held})
    assert len(days) > 1
    of_exam = [one for one in held if any(EXAM in codes(each) for each in one["category"])]
    whose = f"patient={patient['id']}"
    assert found(side, whose) == {one["id"] for one in held}
    assert found(side, f"{whose}&category={quote(EXAM)}") == {one["id"] for one in of_exam}
    assert found(side, f"{whose}&category={quote(EXAM)}&date=ge{days[1]}T00:00:00%2B01:00") == {
        one["id"] for one in of_exam if one["effectiveDateTime"][:10] >= days[1]
    }
    some = sorted({min(codes(one["code"])) for one in held})[:6]
    for code in some:
        expected = {one["id"] for one in held if code in codes(one["code"])}
        assert found(side, f"{whose}&code={quote(code)}") == expected
        assert found(side, f"{whose}&code={quote(code.partition('|')[2])}") >= expected  # code alone
    assert found(side, f"{whose}&code={quote(','.join(some))}") == {
        one["id"] for one in held if codes(one["code"]) & set(some)
    }


def test_row_103_status_narrows_every_combination(side, patient):
    whose = f"patient={patient['id']}&category={quote(EXAM)}"
    of_status = {
        status: found(side, f"{whose}&status={status}") for status in ("final", "corrected", "entered-in-error")
    }
    assert set().union(*of_status.values()) == found(side, whose)
    assert of_status["final"]


def test_us_core_profiles_can_be_asked_of_validate(side, patient):
    profile = f"{PREFIX}StructureDefinition/us-core-patient"
    good = side.get(f"Patient/{patient['id']}/$validate?profile={profile}")
    assert [one["severity"] for one in issues(good)] == ["information"]
    nameless = side.post(f"Patient/$validate?profile={profile}", {"resourceType": "Patient"})
    assert {"Patient.name", "Patient.gender", "Patient.identifier"} <= {
        place for one in issues(nameless) for place in one.get("expression", ())
    }
