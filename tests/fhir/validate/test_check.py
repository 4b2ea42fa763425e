from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import pytest

from service.fhir import wire
from service.fhir.r4.issue import Issue
from service.fhir.validate import check, check_bytes, is_valid, operation_outcome
from tests.fhir.validate.samples import UCUM, bundle, errors, observation, width


def test_a_sound_reading_has_no_issue_and_the_fast_verdict_agrees():
    assert check(observation()) == []
    assert check_bytes(wire.write(observation())) == []
    assert is_valid(observation(), wire.write(observation()))


CODING = {"system": "https://alder-bay.example/codes", "code": "gap-width", "display": "Width"}
CONCEPT = {"coding": [CODING], "text": "Width"}


@pytest.mark.parametrize(
    "changes",
    [
        {"code": {"coding": [{**CODING, "code": 1}], "text": "Width"}},
        {"code": {"coding": [{**CODING, "userSelected": 1}], "text": "Width"}},
        {"code": {"coding": [{"system": CODING["code"], "code": "a  b", "display": "Width"}], "text": "Width"}},
        {"code": {"coding": [[CODING]], "text": "Width"}},
        {"code": {"coding": CODING, "text": "Width"}},
        {"code": {"coding": [CODING, {**CODING, "code": " x"}], "text": "Width"}},
        {"code": {"coding": [CODING], "text": ""}},
        {"code": {"coding": [{"code": CODING["system"], "system": CODING["code"], "shown": "Width"}], "text": "Width"}},
        {"valueQuantity": width() | {"unit": 1}},
        {"valueQuantity": width() | {"code": "mmHg"}},
        {"valueQuantity": {"value": Decimal(1), "unit": "mm", "code": "mm"}},
        {"valueQuantity": {"value": "1", "unit": "mm", "system": UCUM, "code": "mm"}},
    ],
)
def test_texts_and_codes_that_were_sound_together_let_nothing_else_pass(changes):
    selected = {"coding": [{**CODING, "userSelected": True}], "text": "Width"}
    for sound in ({"code": CONCEPT}, {"code": selected}, {"code": CONCEPT, "valueQuantity": width()}):
        assert is_valid(observation(**sound))
    faulty = observation(**{"code": CONCEPT} | changes)
    assert errors(check(faulty))
    assert not is_valid(faulty)


def test_all_faults_are_told_at_once_each_with_its_path():
    faulty = observation(
        status="finished",
        subject={"reference": "Medication/m1"},
        effectiveDateTime="2024-02-30",
        component=[
            {"code": {"text": "station 1"}, "valueQuantity": width() | {"code": "mmHg"}},
            {"valueString": "x", "valueBoolean": True},
        ],
        bandCount=3,
    )
    found = errors(check(faulty))
    assert {
        "Observation.status",
        "Observation.subject",
        "Observation.effectiveDateTime",
        "Observation.component[0].valueQuantity.code",
        "Observation.component[1].code",
        "Observation.bandCount",
    } <= found.keys()
    assert any(path.startswith("Observation.component[1].value") for path in found)
    assert not is_valid(faulty)


def test_a_path_inside_a_bundle_begins_at_the_bundle():
    found = errors(check(bundle(observation(), observation(id="gap-2", status="x"))))
    assert list(found) == ["Bundle.entry[1].resource.status"]


@pytest.mark.parametrize("wrong", [None, "", [], {}, [None], [{}]])
def test_nothing_is_left_empty(wrong):
    for element in ("code", "note", "status", "performer"):
        faulty = observation() | {element: wrong}
        assert errors(check(faulty)), element
        assert not is_valid(faulty)


def test_a_value_that_is_only_an_extension_satisfies_a_required_element():
    # json.html: a primitive may have extensions in place of a value
    reason = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
    sound = observation(status=None) | {"_status": {"extension": [reason]}}
    assert errors(check(sound)) == {}
    assert is_valid(sound)


def test_a_null_in_an_array_needs_an_extension_in_the_same_place():
    reason = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}
    name = {"family": "Ost", "given": ["Ida", None], "_given": [None, {"extension": [reason]}]}
    patient: dict[str, Any] = {"resourceType": "Patient", "name": [name]}
    assert errors(check(patient)) == {}
    name["_given"] = [{"extension": [reason]}, None]
    assert "Patient.name[0].given[1]" in errors(check(patient))
    name["_given"] = [None]
    assert not is_valid(patient)


def test_a_twin_that_is_null_or_shorter_than_its_values_is_an_error():
    for twin in (None, [], [None, None], [{"id": "a"}], "x"):
        patient = {"resourceType": "Patient", "name": [{"given": ["Ida", "Vera"], "_given": twin}]}
        assert errors(check(patient)), twin
        assert not is_valid(patient)


def test_a_float_is_refused_because_it_has_lost_its_digits():
    assert "Observation.component[0].valueQuantity.value" in errors(
        check(observation(component=[{"code": {"text": "x"}, "valueQuantity": width() | {"value": 31.0}}]))
    )


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), True, "31.0"])
def test_only_a_number_is_a_decimal(value):
    faulty = observation(valueQuantity=width() | {"value": value})
    assert errors(check(faulty))
    assert not is_valid(faulty)


def test_a_reference_is_followed_to_the_entry_of_the_same_bundle():
    patient = {"resourceType": "Patient", "id": "p1", "active": True}
    device = {"resourceType": "Device", "id": "d1", "status": "active"}
    by_uuid = "urn:uuid:00000002-0000-4000-8000-000000000000"
    sound = bundle(observation(subject={"reference": by_uuid}), patient)
    wrong = bundle(observation(performer=[{"reference": by_uuid}]), device)
    assert errors(check(sound)) == {}
    assert is_valid(sound)
    assert "Bundle.entry[0].resource.performer[0]" in errors(check(wrong))
    assert not is_valid(wrong)


def test_a_uuid_that_no_entry_has_is_an_error():
    dangling = bundle(observation(subject={"reference": "urn:uuid:00000009-0000-4000-8000-000000000000"}))
    assert list(errors(check(dangling))) == ["Bundle.entry[0].resource.subject.reference"]
    assert not is_valid(dangling)


@pytest.mark.parametrize(
    ("reference", "sound"),
    [
        ({"reference": "Patient/p1"}, True),
        ({"reference": "Patient/p1/_history/2"}, True),
        ({"reference": "https://ward.example/fhir/Patient/p1"}, True),
        ({"reference": "Patient?identifier=https://ward.example/mrn|7"}, True),
        ({"identifier": {"system": "https://ward.example/mrn", "value": "7"}, "type": "Patient"}, True),
        ({"display": "Ida Ost"}, True),
        ({"reference": "Practitioner/n1"}, False),
        ({"reference": "https://ward.example/fhir/Practitioner/n1"}, False),
        ({"reference": "Practitioner?identifier=x"}, False),
        ({"identifier": {"value": "7"}, "type": "Practitioner"}, False),
        ({"reference": "Patient/p1", "type": "Device"}, False),
        ({"reference": "patient/p1"}, False),
        ({"reference": "Patient"}, False),
        ({"reference": "Patient/"}, False),
        ({"reference": "Patient/p 1"}, False),
        ({"reference": "#p1"}, False),
    ],
)
def test_the_subject_of_a_reading_is_one_of_the_allowed_types(reference, sound):
    # Observation.subject: Reference(Patient | Group | Device | Location)
    assert (errors(check(observation(subject=reference))) == {}) is sound
    assert is_valid(observation(subject=reference)) is sound


def test_a_contained_resource_is_walked_and_must_be_referred_to():
    inner = {"resourceType": "Patient", "id": "p1", "active": True}
    assert errors(check(observation(contained=[inner], subject={"reference": "#p1"}))) == {}
    assert "Observation" in errors(check(observation(contained=[inner])))
    wrong = observation(contained=[inner | {"active": "yes"}], subject={"reference": "#p1"})
    assert "Observation.contained[0].active" in errors(check(wrong))


def test_an_unknown_extension_is_a_warning_and_an_allowed_one_is_nothing():
    foreign = observation(extension=[{"url": "https://elsewhere.example/x", "valueCode": "y"}])
    assert [issue.severity for issue in check(foreign)] == ["warning"]
    assert is_valid(foreign)
    assert check(foreign, extensions=("https://elsewhere.example/",)) == []
    own = observation(extension=[{"url": "https://closure-readings.example/fhir/x", "valueCode": "y"}])
    assert check(own) == []


def test_the_rules_of_a_profile_are_asked_only_of_resources_that_name_it():
    canonical = "https://closure-readings.example/fhir/StructureDefinition/gap"

    def wants_a_device(resource: dict[str, Any]) -> Iterable[Issue]:
        if "device" not in resource:
            yield Issue("error", "required", "Observation.device", "a device is wanted", "profile")

    rules = {canonical: [wants_a_device]}
    profiled = observation(meta={"profile": [canonical]})
    assert check(observation(), rules) == []
    assert errors(check(profiled, rules)) == {"Observation.device": "a device is wanted"}
    assert errors(check_bytes(wire.write(bundle(observation(), profiled)), rules)) == {
        "Bundle.entry[1].resource.device": "a device is wanted"
    }
    assert not is_valid(profiled, profile_rules=rules)
    assert is_valid(profiled | {"device": {"reference": "Device/d1"}}, profile_rules=rules)


def test_a_type_without_a_table_is_checked_by_the_library_alone_and_says_so():
    slot = {"resourceType": "Appointment", "status": "booked", "participant": [{"status": "accepted"}]}
    assert [(i.severity, i.code) for i in check(slot)] == [("information", "not-supported")]
    assert is_valid(slot)
    assert not is_valid(slot | {"bandCount": 3})
    assert errors(check(slot | {"bandCount": 3}))
    dangling = bundle(slot | {"slot": [{"reference": "urn:uuid:00000009-0000-4000-8000-000000000000"}]})
    assert list(errors(check(dangling))) == ["Bundle.entry[0].resource.slot[0].reference"]
    assert not is_valid(slot | {"comment": ""})


@pytest.mark.parametrize("resource", [{}, {"id": "x"}, {"resourceType": 3}, {"resourceType": "observation"}])
def test_what_names_no_resource_type_is_refused(resource):
    assert errors(check(resource))
    assert not is_valid(resource)


def test_odd_shapes_never_raise():
    for wrong in (1, True, "x", [[]], [1], {"a": {}}, ["system", "code"], Decimal(1), (), 1.5):
        for element in (*observation(), "contained", "meta", "text", "extension", "_status", "referenceRange"):
            faulty = observation() | {element: wrong}
            if element not in ("id",) or wrong != "x":
                assert is_valid(faulty) is (errors(check(faulty)) == {})
    for wrong in (1, "x", [1], [[]], {"a": 1}):
        assert errors(check({"resourceType": "Bundle", "type": "transaction", "entry": wrong}))
        assert errors(check({"resourceType": "Bundle", "type": "searchset", "link": wrong}))


def test_endless_nesting_is_an_issue_not_a_crash():
    inner: dict[str, Any] = {"url": "http://hl7.org/fhir/StructureDefinition/x", "valueBoolean": True}
    for _ in range(3000):
        inner = {"url": "http://hl7.org/fhir/StructureDefinition/x", "extension": [inner]}
    assert errors(check(observation(extension=[inner])))
    assert not is_valid(observation(extension=[inner]))


def test_issues_become_an_operation_outcome_that_is_itself_sound():
    outcome = operation_outcome(check(observation(status="x", bandCount=1)))
    assert check(outcome) == []
    assert {"Observation.status"} in [set(issue["expression"]) for issue in outcome["issue"]]
    assert check(operation_outcome([])) == []


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"valueString": "x", "dataAbsentReason": {"text": "unknown"}}, "obs-6"),
        ({"referenceRange": [{"type": {"text": "normal"}}]}, "obs-3"),
        ({"valueString": "x", "code": {"coding": [{"system": "urn:a", "code": "1"}]},
          "component": [{"code": {"coding": [{"system": "urn:a", "code": "1"}]}}]}, "obs-7"),
        ({"effectiveDateTime": None, "effectivePeriod": {"start": "2024-03-02", "end": "2024-03-01"}}, "per-1"),
        ({"valueQuantity": {"value": 1, "code": "mm"}}, "qty-3"),
        ({"valueRatio": {"numerator": {"value": 1}}}, "rat-1"),
        ({"valueRange": {"low": {"value": 3}, "high": {"value": 2}}}, "rng-2"),
        ({"text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"> </div>'}}, "txt-2"),
        ({"text": {"status": "generated", "div": "<div>no namespace</div>"}}, "txt-1"),
    ],
)  # fmt: skip
def test_a_broken_constraint_is_told_in_its_published_words(changes, key):
    found = [i for i in check(observation(**changes)) if i.severity == "error"]
    assert [i.diagnostics.partition(":")[0] for i in found] == [key]
    assert not is_valid(observation(**changes))


def test_a_period_across_time_zones_is_compared_as_instants():
    period = {"start": "2024-03-01T23:30:00-05:00", "end": "2024-03-02T05:00:00Z"}
    assert check(observation(effectiveDateTime=None, effectivePeriod=period)) == []
    assert "Observation.effectivePeriod" in errors(
        check(observation(effectiveDateTime=None, effectivePeriod={"start": period["end"], "end": period["start"]}))
    )


def test_a_unit_of_another_system_is_not_ours_to_judge():
    foreign = observation(valueQuantity={"value": 1, "system": "http://snomed.info/sct", "code": "any"})
    assert check(foreign) == []
    assert errors(check(observation(valueQuantity={"value": 1, "system": UCUM, "code": "days"})))
