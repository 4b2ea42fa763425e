"""Rows 39, 46, 48, 49 and 51 on the database: modifiers and the one chain (https://hl7.org/fhir/R4/search.html#modifiers)."""

import pytest

from tests.store.samples import SYSTEM, later, observation, save
from tests.store.test_searching import found, ids, search

ONE, TWO, THREE, FOUR = "p-1-o-1", "p-1-o-2", "p-2-o-3", "p-1-o-4"


def patient(number: int, **more):
    identifier = {"system": "urn:mrn", "value": f"7{number}"}
    return {"resourceType": "Patient", "id": f"p-{number}", "meta": {}, "identifier": [identifier], **more}


@pytest.fixture
def filled(store):
    quantity = {"value": 31, "unit": "mm"}
    save(
        store,
        patient(1, name=[{"family": "Ødegård", "given": ["Åse", "Liv"]}, {"text": "Åse Ø"}], gender="female"),
        patient(2, name=[{"family": "gård"}], birthDate="1950"),
        observation(1, valueQuantity=quantity, performer=[{"identifier": {"system": "urn:staff", "value": "s|1"}}]),
        observation(2, code="stretch", device={"reference": "Device/d-1"}, performer=[{"display": "Nurse"}]),
        observation(3, patient="p-2", code="gap", performer=[{"identifier": {"value": "s|1"}}], hasMember=[]),
        {
            **observation(4),
            "code": {"coding": [{"code": "none", "display": "Gap width of the Wóund"}], "text": "Widest gap"},
            "component": [{"code": {"text": "x"}, "valueQuantity": {"value": 1}}],
            "identifier": [],
        },
    )
    return store


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("code:not=gap", {TWO, FOUR}),
        ("code:not=gap,stretch", {FOUR}),
        ("code:not=urn:own|gap&patient=p-1", {TWO, FOUR}),
        ("data-absent-reason:not=unknown", {ONE, TWO, THREE, FOUR}),  # those without any value too
        (f"identifier:not={SYSTEM}|p-1/1", {TWO, THREE, FOUR}),
        (f"identifier:not={SYSTEM}|", {FOUR}),
        (f"_id:not={ONE},{TWO}", {THREE, FOUR}),
    ],
)
def test_row_46_not(filled, text, expected):
    assert found(filled, text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("code:text=gap width", {FOUR}),
        ("code:text=WIDEST", {FOUR}),
        ("code:text=GAP WIDTH OF THE WOUND", {FOUR}),
        ("code:text=width", set()),  # from the beginning
        ("code:text=none", set()),  # a code is no text
        ("code:text=urn,wid", {FOUR}),
        ("component-code:text=x", {FOUR}),
        ("code=Widest gap", set()),
    ],
)
def test_row_46_text(filled, text, expected):
    assert found(filled, text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (r"performer:identifier=urn:staff|s\|1", {ONE}),
        (r"performer:identifier=s\|1", {ONE, THREE}),
        (r"performer:identifier=|s\|1", {THREE}),
        (r"performer:identifier=urn:staff|s\|", set()),
        ("performer:identifier=s", set()),
        (r"performer:identifier=urn:other|s\|1", set()),
        (r"patient=p-2&performer:identifier=s\|1", {THREE}),
    ],
)
def test_row_48_identifier(filled, text, expected):
    assert found(filled, text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("device:missing=true", {ONE, THREE, FOUR}),
        ("device:missing=false", {TWO}),
        ("performer:missing=true", {FOUR}),  # a name alone is a value
        ("has-member:missing=false", set()),
        ("value-quantity:missing=false", {ONE}),
        ("value-quantity:missing=true&patient=p-1", {TWO, FOUR}),
        ("component-value-quantity:missing=false", {FOUR}),
        ("combo-value-quantity:missing=false", {ONE, FOUR}),
        ("identifier:missing=true", {FOUR}),
        ("code:missing=false", {ONE, TWO, THREE, FOUR}),
        ("code:missing=true", set()),
        ("component-code:missing=false", {FOUR}),
        ("data-absent-reason:missing=false", set()),
        ("date:missing=true", set()),
        ("value-date:missing=true", {ONE, TWO, THREE, FOUR}),
        ("subject:missing=true", set()),
        ("patient:missing=false", {ONE, TWO, THREE, FOUR}),
        ("_id:missing=true", set()),
        ("_lastUpdated:missing=false", {ONE, TWO, THREE, FOUR}),
    ],
)
def test_row_51_missing(filled, text, expected):
    assert found(filled, text) == expected


def test_row_51_missing_of_names_and_of_a_patient_of_another_server(filled):
    assert found(filled, "family:missing=false", "Patient") == {"p-1", "p-2"}
    assert found(filled, "given:missing=true", "Patient") == {"p-2"}
    assert found(filled, "birthdate:missing=true", "Patient") == {"p-1"}
    assert found(filled, "gender:missing=true", "Patient") == {"p-2"}
    save(filled, observation(9, subject={"reference": "https://other.example/fhir/Patient/1"}), now=later(1))
    save(filled, {key: each for key, each in observation(10).items() if key != "subject"}, now=later(2))
    assert found(filled, "patient:missing=true") == found(filled, "subject:missing=true") == {"p-1-o-10"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("family:exact=Ødegård", {"p-1"}),
        ("family:exact=ødegård", set()),
        ("family:exact=Ødeg", set()),
        ("given:exact=Liv", {"p-1"}),
        ("family:contains=GARD", {"p-1", "p-2"}),
        ("family:contains=deg", {"p-1"}),
        ("given:contains=eli", set()),  # each string for itself
        ("given:contains=iv,x", {"p-1"}),
        ("name:contains=se ø", {"p-1"}),
        ("name:contains=gård", {"p-1", "p-2"}),
        ("family:contains=given", set()),
        ("given:contains=gard", set()),
    ],
)
def test_row_49_exact_and_contains(filled, text, expected):
    assert found(filled, text, "Patient") == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("patient.identifier=urn:mrn|71", {ONE, TWO, FOUR}),
        ("patient.identifier=72", {THREE}),
        ("patient.identifier=urn:mrn|7", set()),
        ("patient.identifier=urn:mrn|", {ONE, TWO, THREE, FOUR}),
        ("subject:Patient.identifier=urn:mrn|71,urn:mrn|72&code=gap", {ONE, THREE}),
        ("patient.identifier=urn:mrn|71&patient=p-2", set()),
    ],
)
def test_row_39_patient_identifier(filled, text, expected):
    page = search(filled, "Observation", text)
    assert set(ids(page)) == expected
    assert page.total == len(expected)
