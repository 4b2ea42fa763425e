"""What a resource is found by (https://hl7.org/fhir/R4/search.html#token, #reference, #date, #string)."""

from datetime import UTC
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from service.search.dates import OPEN_HIGH, OPEN_LOW, date_range
from service.search.elements import WITHOUT_DATE, unit_of
from service.search.quantities import WITHOUT_NUMBER, NumberRange, Unit, sortable
from service.search.values import index

LOCAL = "https://closure-readings.example/fhir/CodeSystem/closure"


def observation(**more):
    return {"resourceType": "Observation", "id": "o-1", **more}


def test_every_coding_counts_and_order_and_repeats_do_not():
    one = observation(code={"coding": [{"system": "s", "code": "b"}, {"system": LOCAL, "code": "a"}]})
    two = observation(
        code={"coding": [{"system": LOCAL, "code": "a"}, {"system": "s", "code": "b"}, {"system": "s", "code": "b"}]}
    )
    assert index(one, UTC).code_set == index(two, UTC).code_set
    assert ("code", "s", "b") in index(one, UTC).code_set
    assert ("combo-code", LOCAL, "a") in index(one, UTC).code_set


def test_a_coding_without_a_code_is_no_token_and_one_without_a_system_has_none():
    found = index(observation(code={"coding": [{"system": "s", "display": "x"}, {"code": "a"}], "text": "t"}), UTC)
    assert [token for token in found.code_set if token[0] == "code"] == [("code", "", "a")]


def test_component_codes_are_found_by_their_own_and_by_the_joint_parameter():
    found = index(observation(component=[{"code": {"coding": [{"system": "s", "code": "st"}]}}]), UTC)
    assert found.code_set == (("combo-code", "s", "st"), ("component-code", "s", "st"))


def test_a_bare_code_answers_to_its_implied_system_and_to_none():
    found = index(observation(status="final"), UTC).token_set
    assert found == (("status", "", "final"), ("status", "http://hl7.org/fhir/observation-status", "final"))


def test_the_patient_is_a_value_of_its_own_and_other_references_are_terms():
    found = index(
        observation(
            subject={"reference": "Patient/p-1"},
            encounter={"reference": "Encounter/e-1"},
            derivedFrom=[{"reference": "Observation/o-2/_history/3"}, {"display": "none"}, {"reference": "#inside"}],
        ),
        UTC,
    )
    assert found.patient == "p-1"
    lines = found.terms.strip("\n").split("\n")
    assert lines == ["encounter=Encounter/e-1", "derived-from=Observation/o-2", "derived-from:unlinked="]


def test_row_48_an_identifier_of_a_reference_is_a_line_with_its_value_first():
    staff = {"identifier": {"system": "urn:staff", "value": "a|b"}, "display": "x"}
    found = index(observation(performer=[staff]), UTC)
    assert found.terms == "\nperformer:identifier=a\\|b|urn:staff\n"
    fake = {"identifier": {"system": "", "value": "1\ndevice=Device/d-1"}}
    assert "\ndevice=" not in index(observation(performer=[fake]), UTC).terms


def test_row_45_the_number_that_was_observed_and_its_unit():
    found = index(
        observation(valueQuantity={"value": Decimal("31.0"), "unit": "mm", "system": "urn:u", "code": "mm"}), UTC
    )
    assert found.value == NumberRange(sortable(31), sortable(31))
    assert unit_of(found.value_unit) == Unit("urn:u", "mm", "mm")
    assert index(observation(valueQuantity={"value": 31}), UTC).value_unit == ()
    assert index(observation(valueQuantity={"unit": "mm"}), UTC).value == WITHOUT_NUMBER


def test_row_50_the_number_of_a_component_stands_beside_its_code():
    component = {
        "code": {"coding": [{"system": "s", "code": "st"}, {"system": "t"}]},
        "valueQuantity": {"value": 2, "code": "cm"},
    }
    found = index(observation(component=[component, {"code": {"text": "x"}, "valueString": "y"}]), UTC)
    (number,) = found.components
    assert number.codes == (("component-code", "s", "st"),)
    assert (unit_of(number.unit), number.number.low) == (Unit("", "cm", ""), sortable(2))


def test_row_46_displays_and_texts_are_kept_beside_the_codes():
    found = index(observation(code={"coding": [{"code": "a", "display": "Gap Wídth"}], "text": "Gap"}), UTC)
    assert {code for name, _, code in found.code_set if name == "code:text"} == {"gap width", "gap"}


@pytest.mark.parametrize(
    ("period", "inside", "outside"),
    [
        # Vienna puts its clocks forward on 31 March 2024 and back on 27 October: a day of 23 and one of 25 hours
        ({"start": "2024-03-31", "end": "2024-03-31"}, "2024-03-31T23:59:59+02:00", "2024-04-01T00:00:00+02:00"),
        ({"start": "2024-10-27", "end": "2024-10-27"}, "2024-10-27T23:59:59+01:00", "2024-10-28T00:00:00+01:00"),
        ({"start": "2024-10-27", "end": "2024-10-27"}, "2024-10-27T00:00:00+02:00", "2024-10-26T23:59:59+02:00"),
        # an hour that happens twice: both are in the Period
        (
            {"start": "2024-10-27T02:30:00", "end": "2024-10-27T02:30:00"},
            "2024-10-27T02:30:00+02:00",
            "2024-10-27T02:29:59+02:00",
        ),
        (
            {"start": "2024-10-27T02:30:00", "end": "2024-10-27T02:30:00"},
            "2024-10-27T02:30:00+01:00",
            "2024-10-27T02:30:01+01:00",
        ),
    ],
)
def test_row_42_a_period_over_a_change_of_the_clocks(period, inside, outside):
    zone = ZoneInfo("Europe/Vienna")
    found = index(observation(effectivePeriod=period), zone).date
    for text, expected in ((inside, True), (outside, False)):
        second = date_range(text, zone)
        assert (found.low <= second.low and second.high <= found.high) is expected, text


def test_a_subject_that_is_no_patient_is_a_term():
    found = index(observation(subject={"reference": "Device/d-1"}), UTC)
    assert (found.patient, found.terms) == (None, "\nsubject=Device/d-1\n")


def test_a_patient_is_its_own():
    name = {"family": "Ångström", "given": ["Tove", "Li"]}
    found = index({"resourceType": "Patient", "id": "p-1", "name": [name]}, UTC)
    assert found.patient == "p-1"
    assert "\nfamily=angstrom\n" in found.terms
    assert "\ngiven=li\n" in found.terms
    assert "\nname=tove\n" in found.terms
    assert "\nfamily:exact=Ångström\n" in found.terms
    assert "\nname:all=\x1fangstrom\x1ftove\x1fli\n" in found.terms


def test_identifiers_keep_both_parts():
    found = index(observation(identifier=[{"system": "s", "value": "c/e/gap"}, {"value": "7"}, {"system": "t"}]), UTC)
    assert found.identifiers == (("s", "c/e/gap"), ("", "7"))


@pytest.mark.parametrize(
    ("element", "expected"),
    [
        ({"effectiveDateTime": "2024-05-01T10:00:00+02:00"}, date_range("2024-05-01T10:00:00+02:00", UTC)),
        ({"effectiveInstant": "2024-05-01T10:00:00Z"}, date_range("2024-05-01T10:00:00Z", UTC)),
        (
            {"effectivePeriod": {"start": "2024-05-01", "end": "2024-05"}},
            (date_range("2024-05-01", UTC).low, date_range("2024-05", UTC).high),
        ),
        ({"effectivePeriod": {"start": "2024-05-01"}}, (date_range("2024-05-01", UTC).low, OPEN_HIGH)),
        ({"effectivePeriod": {"end": "2024-05-01"}}, (OPEN_LOW, date_range("2024-05-01", UTC).high)),
        (
            {"effectiveTiming": {"event": ["2024-05-02", "2024-05-01", "2024-05-09"]}},
            (date_range("2024-05-01", UTC).low, date_range("2024-05-09", UTC).high),
        ),
        (
            {"effectiveTiming": {"repeat": {"boundsPeriod": {"start": "2024-05-01"}}}},
            (date_range("2024-05-01", UTC).low, OPEN_HIGH),
        ),
        ({"effectiveTiming": {"repeat": {"count": 3}}}, (OPEN_LOW, OPEN_HIGH)),
        ({}, WITHOUT_DATE),
    ],
)
def test_row_42_dates_periods_and_timings(element, expected):
    assert index(observation(**element), UTC).date == expected


def test_a_date_without_a_time_is_a_day_of_the_given_zone():
    berlin = ZoneInfo("Europe/Berlin")
    found = index({"resourceType": "Patient", "id": "p", "birthDate": "1950-07-01"}, berlin)
    assert found.date == date_range("1950-07-01", berlin)


def test_a_second_date_is_kept_apart():
    found = index(observation(effectiveDateTime="2024-05-01", valueDateTime="2024-06"), UTC)
    assert (found.date, found.other_date) == (date_range("2024-05-01", UTC), date_range("2024-06", UTC))


def test_a_type_without_parameters_is_an_error():
    with pytest.raises(KeyError):
        index({"resourceType": "Spoon", "id": "x"}, UTC)


def test_what_was_read_before_changes_nothing():
    """Sets are looked up by the codes that make them: each of these differs from another in one place."""
    coding = {"system": "s", "code": "c", "display": "D"}
    asked = [
        observation(code={"coding": [coding]}),
        observation(code={"coding": [coding], "text": "T"}),
        observation(code={"coding": [coding | {"system": "t"}]}),
        observation(code={"coding": [coding | {"code": "s"}]}),
        observation(code={"coding": [coding, coding | {"code": "x"}]}),
        observation(code={"coding": [coding]}, category=[{"coding": [coding]}]),
        observation(code={"coding": [coding]}, category=[{"coding": [coding]}, {"text": "T"}]),
        observation(code={"coding": [coding]}, identifier=[{"value": "v"}]),
        observation(code={"coding": [coding]}, identifier=[{"system": "s"}]),
        observation(code={"coding": [coding]}, component=[{"code": {"coding": [coding]}}]),
    ]
    first = [index(each, UTC)[1:3] for each in asked]
    again = [index(each, UTC)[1:3] for each in reversed(asked)]
    assert first == again[::-1]
    assert len(set(first)) == len(asked) - 1  # an identifier without a value is none
