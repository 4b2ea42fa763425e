from service.fhir import wire
from service.fhir.validate.second_opinion import second_opinion
from tests.fhir.validate.samples import bundle, observation


def _asked(resource):
    return second_opinion(resource, wire.write(resource))


def test_another_implementation_agrees_on_a_sound_reading_and_bundle():
    assert _asked(observation()) == []
    assert _asked(bundle(observation())) == []


def test_it_sees_the_same_fault_with_its_path():
    [issue] = _asked(observation(effectiveDateTime="2024-02-30"))
    assert issue.severity == "error"
    assert issue.layer == "second opinion"
    assert issue.expression.startswith("Observation.effectiveDateTime")


def test_its_known_blind_spots_are_why_it_is_only_a_second_opinion():
    assert _asked(observation(status="finished")) == []
    assert _asked(observation(subject={"reference": "Medication/m1"})) == []


def test_a_type_it_does_not_know_is_said_to_be_unknown():
    [issue] = second_opinion({"resourceType": "ClosureReading"}, b'{"resourceType":"ClosureReading"}')
    assert issue.code == "not-supported"
