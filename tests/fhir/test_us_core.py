"""Rows 100 to 102: what a release of US Core asks of a Patient and of Observations; a setting that is off by default.

Sources: pages of US Core 6.1.0 and 7.0.0 (http://hl7.org/fhir/us/core): us-core-patient (identifier with system and
value, name with us-core-6, gender mandatory before 8.0.1), us-core-observation-clinical-result (value set of its
categories, us-core-1, us-core-2), us-core-simple-observation, general guidance on missing data (requirements 40 to 49
of the public test kit's list).
"""

import copy
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service import strict_json
from service.config import Settings, settings_from
from service.fhir import wire
from service.fhir.us_core import UnknownRelease, load_us_core
from service.fhir.validate import check
from service.fhir.validate.second_opinion import second_opinion
from service.projection import map_document, open_site
from service.terminology.tables import folder_of_tables
from tests.conformance.schema import official_schema_errors

RELEASES = ("6.1.0", "7.0.0")
EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9]*/course*.json"))
NOW = datetime(2026, 11, 1, tzinfo=UTC)
BASE = "https://heron-quay.example/fhir"
PREFIX = "http://hl7.org/fhir/us/core/StructureDefinition/"
PATIENT, CLINICAL, SIMPLE = (
    PREFIX + name for name in ("us-core-patient", "us-core-observation-clinical-result", "us-core-simple-observation")
)
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


def site(release=""):
    return open_site(Settings(us_core=release))


def mapped(course_file, release="", change=lambda document: None):
    document = strict_json.read(course_file.read_bytes())
    change(document)
    bundle = wire.read(map_document(site(release), document, NOW, BASE))
    return [entry["resource"] for entry in bundle["entry"]]


def of(resources, type_):
    return [one for one in resources if one["resourceType"] == type_]


def claims(resource):
    return [url for url in resource["meta"]["profile"] if url.startswith(PREFIX)]


@pytest.fixture(scope="module", params=RELEASES)
def release(request):
    return request.param


def test_without_the_setting_nothing_is_claimed_and_nothing_added():
    for resource in mapped(EXAMPLES[0]):
        assert claims(resource) == []
    assert settings_from({}).us_core == ""
    assert settings_from({"CLOSURE_READINGS_US_CORE": "6.1.0"}).us_core == "6.1.0"


@pytest.mark.parametrize("course_file", EXAMPLES, ids=lambda file: file.parent.name[:2])
def test_row_101_every_patient_and_observation_claims_what_its_category_allows_and_is_sound(course_file, release):
    plain, decorated = mapped(course_file), mapped(course_file, release)
    rules = site(release).rules
    for before, after in zip(plain, decorated, strict=True):
        kind = after["resourceType"]
        expected = [PATIENT] if kind == "Patient" else [profile_for(after)] if kind == "Observation" else []
        assert claims(after) == expected
        assert [url for url in after["meta"]["profile"] if url not in expected] == before["meta"]["profile"]
        assert [issue for issue in check(after, rules) if issue.severity == "error"] == []
        assert second_opinion(after, wire.write(after)) == []
        assert official_schema_errors(wire.write(after)) == []
        if kind != "Patient":
            assert {k: v for k, v in after.items() if k != "meta"} == {k: v for k, v in before.items() if k != "meta"}


def profile_for(observation):
    """By the published value set of clinical results; a survey is a simple observation."""
    codes = {coding["code"] for category in observation["category"] for coding in category["coding"]}
    return (
        CLINICAL
        if codes & {"laboratory", "exam", "therapy", "imaging", "procedure", "vital-signs", "activity"}
        else SIMPLE
    )


def test_both_profiles_of_observations_occur(release):
    found = {url for file in EXAMPLES for one in of(mapped(file, release), "Observation") for url in claims(one)}
    assert found == {CLINICAL, SIMPLE}


def unnamed(document):
    for key in ("family", "given", "gender", "birth_date"):
        document["course"]["patient"].pop(key, None)


def test_row_102_a_mandatory_element_that_was_not_sent_says_that_it_is_unknown(release):
    (patient,) = of(mapped(EXAMPLES[0], release, unnamed), "Patient")
    assert patient["name"] == [{"extension": [{"url": ABSENT, "valueCode": "unknown"}]}]
    assert patient["gender"] == "unknown"  # the required value set has a code for it, so that no extension is used
    assert "birthDate" not in patient  # row 102: what is optional and unknown is left out
    assert [issue for issue in check(patient, site(release).rules) if issue.severity == "error"] == []
    assert second_opinion(patient, wire.write(patient)) == []


def test_row_102_what_was_sent_is_left_as_it_is(release):
    (before,) = of(mapped(EXAMPLES[0]), "Patient")
    (after,) = of(mapped(EXAMPLES[0], release), "Patient")
    assert {key: value for key, value in after.items() if key != "meta"} == {
        key: value for key, value in before.items() if key != "meta"
    }


def test_without_the_setting_an_unnamed_patient_stays_unnamed():
    (patient,) = of(mapped(EXAMPLES[0], "", unnamed), "Patient")
    assert not {"name", "gender"} & patient.keys()


def broken_patients():
    yield "Patient.identifier", lambda one: one.pop("identifier")
    yield "Patient.identifier[0].system", lambda one: one["identifier"][0].pop("system")
    yield "Patient.identifier[0].value", lambda one: one["identifier"][0].pop("value")
    yield "Patient.name", lambda one: one.pop("name")
    yield "Patient.name[0]", lambda one: one.update(name=[{"text": "somebody"}])
    yield "Patient.name[0]", lambda one: one["name"][0].update(extension=[{"url": ABSENT, "valueCode": "unknown"}])
    yield "Patient.gender", lambda one: one.pop("gender")


@pytest.mark.parametrize(("place", "break_it"), list(broken_patients()))
def test_row_100_a_patient_that_us_core_would_refuse_is_refused(place, break_it, release):
    (patient,) = of(mapped(EXAMPLES[0], release), "Patient")
    broken = copy.deepcopy(patient)
    break_it(broken)
    assert place in {issue.expression for issue in check(broken, site(release).rules) if issue.layer == "us core"}


def broken_observations():
    yield "Observation.category", lambda one: one.pop("category")
    yield "Observation.subject", lambda one: one.pop("subject")
    yield "Observation.subject", lambda one: one.update(subject={"reference": "Device/d1"})
    yield "Observation.effectiveDateTime", lambda one: one.update(effectiveDateTime="2026-03")
    yield "Observation", lambda one: [one.pop(key, None) for key in ("valueQuantity", "component", "dataAbsentReason")]


@pytest.mark.parametrize(("place", "break_it"), list(broken_observations()))
def test_row_101_an_observation_that_us_core_would_refuse_is_refused(place, break_it, release):
    observations = of(mapped(EXAMPLES[0], release), "Observation")
    broken = copy.deepcopy(next(one for one in observations if CLINICAL in claims(one) and "valueQuantity" in one))
    break_it(broken)
    assert place in {issue.expression for issue in check(broken, site(release).rules) if issue.layer == "us core"}


def test_an_observation_of_another_category_claims_nothing(release):
    us_core = load_us_core(folder_of_tables(), release)
    other = {
        "resourceType": "Observation",
        "meta": {"profile": []},
        "category": [{"coding": [{"system": "urn:own", "code": "exam"}]}],
    }
    assert us_core.decorated(other) == other


def test_decorating_twice_adds_nothing_and_shared_meta_is_not_written_to(release):
    us_core = load_us_core(folder_of_tables(), release)
    (patient,) = of(mapped(EXAMPLES[0]), "Patient")
    meta = copy.deepcopy(patient["meta"])
    once = us_core.decorated(patient)
    assert us_core.decorated(once) == once
    assert patient["meta"] == meta


def test_a_release_without_a_table_is_refused_at_start():
    with pytest.raises(UnknownRelease, match=r"6\.1\.0, 7\.0\.0"):
        site("5.0.1")


def test_each_table_names_its_own_release(release):
    us_core = load_us_core(folder_of_tables(), release)
    assert us_core.release == release
    assert us_core.instantiates.endswith(f"/us-core-server|{release}")
