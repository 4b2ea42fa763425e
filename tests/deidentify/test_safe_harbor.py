"""Safe Harbor, 45 CFR 164.514(b)(2)(i): the eighteen identifiers (A) to (R) of `hipaa_safe_harbor.csv`.

The items, rules and H1 to H9 are those of the regulation, as university and state pages print it; the list of small ZIP
areas is from memory (the count of 17 is published).
"""

import csv
import re
from datetime import datetime
from pathlib import Path

import pytest

from service.deidentify import LeftOut
from service.deidentify.vocabulary import read_vocabulary
from service.fhir import wire
from service.fhir.validate import is_valid
from tests.deidentify.releases import NOW, RULES, TERMS, bundles, deidentifier, one, patient, released

ITEMS = [
    row["letter"]
    for row in csv.DictReader(
        line
        for line in (Path(__file__).with_name("hipaa_safe_harbor.csv")).read_text().splitlines()
        if not line.startswith("#")
    )
]
MODE = "safe-harbor"
US = {"country": "US"}


def text(resource):
    return wire.write(resource).decode() if resource else ""


def device(**members):
    return {
        "resourceType": "Device", "id": "d1", "status": "active", "patient": {"reference": "Patient/p1"}, **members
    }  # fmt: skip


def telecom(system, value):
    return patient(telecom=[{"system": system, "value": value}])


def numbered(value):
    return patient(identifier=[{"system": "https://heron-quay.example/any", "value": value}])


# letter -> what is planted, and a resource that holds it
PLANTED = {
    "A": ("Zorbelin", patient(name=[{"family": "Zorbelin"}])),
    "B": ("Grebeltown", patient(address=[{"city": "Grebeltown", "line": ["12 Grebeltown Rd"], **US}])),
    "C": ("1971-08-03", patient(birthDate="1971-08-03")),
    "D": ("555-0142", telecom("phone", "555-0142")),
    "E": ("555-0143", telecom("fax", "555-0143")),
    "F": ("zorbelin@heron-quay.example", telecom("email", "zorbelin@heron-quay.example")),
    "G": ("078-05-1120", numbered("078-05-1120")),
    "H": ("MRN-7788121", patient()),
    "I": ("HPB-3391", numbered("HPB-3391")),
    "J": ("ACC-88123", numbered("ACC-88123")),
    "K": ("LIC-5521", numbered("LIC-5521")),
    "L": ("QX-71-KL", numbered("QX-71-KL")),
    "M": ("LOT-9931", device(lotNumber="LOT-9931", serialNumber="LOT-9931-7")),
    "N": ("https://zorbelin.example", telecom("url", "https://zorbelin.example")),
    "O": ("198.51.100.77", numbered("198.51.100.77")),
    "P": (
        "RklOR0VS",
        patient(extension=[{"url": "https://heron-quay.example/print", "valueBase64Binary": "RklOR0VS"}]),
    ),
    "Q": ("iVBORw0KGgo", patient(photo=[{"contentType": "image/png", "data": "iVBORw0KGgo="}])),
    "R": ("Zorbelin-4", patient(identifier=[{"system": "https://zorbelin-4.example/Zorbelin-4", "value": "1"}])),
}


def test_every_item_of_the_regulation_has_its_test():
    assert sorted(PLANTED) == ITEMS == sorted("ABCDEFGHIJKLMNOPQR")


@pytest.mark.parametrize("letter", PLANTED)
def test_the_identifier_of_each_item_of_the_regulation_does_not_come_out(letter):
    planted, resource = PLANTED[letter]
    assert planted in text(resource)
    made = one(MODE, resource)
    assert planted not in text(made)
    assert is_valid(made, profile_rules=RULES)


@pytest.mark.parametrize(
    ("born", "shown"),
    [
        ("1937-11-24", "1937"),  # H1: 89 years old
        ("1937-01-01", "1937"),
        ("1936-11-26", None),  # H2: 90 tomorrow; a zone of the earth may be there already
        ("1936-11-25", None),  # H2: 90 today
        ("1922-05-01", None),  # H2: 104
        ("1936", None),  # may be 90
        ("1937", "1937"),
        ("1936-12", "1936"),
        ("1936-11", None),
    ],
)
def test_an_age_of_89_shows_the_year_of_birth_and_from_90_on_nothing_but_the_group(born, shown):
    made = one(MODE, patient(birthDate=born))
    assert made.get("birthDate") == shown
    groups = [each["valueString"] for each in made.get("extension", [])]
    assert groups == ([] if shown else ["90 or older"])
    assert born[:4] in text(made) if shown else born[:4] not in text(made)


def test_a_date_of_the_stay_leaves_as_its_year():
    # H3: admission 2024-03-17 becomes 2024.
    stay = {
        "resourceType": "Encounter",
        "id": "e1",
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": "Patient/p1"},
        "period": {"start": "2024-03-17T08:15:00-05:00", "end": "2024-03-29"},
    }
    assert one(MODE, stay)["period"] == {"start": "2024", "end": "2024"}


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ({"postalCode": "60614", "state": "IL", **US}, {"postalCode": "606", "state": "IL", **US}),  # H4
        ({"postalCode": "60614-1234", **US}, {"postalCode": "606", **US}),
        ({"postalCode": "03601", **US}, {"postalCode": "000", **US}),  # H5
        ({"postalCode": "89301", **US}, {"postalCode": "000", **US}),  # H5
        ({"postalCode": "60614"}, None),  # no rule of that regulation speaks of another country's codes
        ({"postalCode": "60614", "state": "BY", "country": "DE"}, {"country": "DE"}),
        ({"state": "near Grebeltown", **US}, US),
    ],
)
def test_a_zip_code_leaves_as_three_digits_or_as_zeros_for_a_small_area(given, shown):
    made = one(MODE, patient(address=[given]))
    assert made.get("address") == ([shown] if shown else None)


def test_the_list_of_small_areas_has_as_many_as_the_census_counted():
    assert len(read_vocabulary(TERMS).small_areas) == 17


def test_lot_and_serial_numbers_of_a_device_are_removed():
    # H6: band or anchor lot and serial numbers tied to a patient.
    udi = [{"deviceIdentifier": "09506000134352", "carrierHRF": "(01)09506000134352(21)S-4471"}]
    made = one(MODE, device(udiCarrier=udi, lotNumber="L-4471", distinctIdentifier="S-4471", modelNumber="M-4471"))
    assert "4471" not in text(made)
    assert "09506000134352" not in text(made)


def test_free_text_and_photographs_are_removed():
    # H7: free text, wound photograph.
    photo = [{"contentType": "image/jpeg", "data": "/9j/4AAQ", "title": "wound"}]
    structure = {
        "resourceType": "BodyStructure", "id": "b1", "patient": {"reference": "Patient/p1"},
        "description": "below the swallow tattoo", "image": photo,
        "location": {"text": "beside the swallow tattoo"},
    }  # fmt: skip
    made = one(MODE, structure)
    assert "tattoo" not in text(made)
    assert "image" not in made


def test_no_date_finer_than_a_year_comes_out_of_any_example():
    # H8 asks that no date can be rebuilt: no day of therapy is counted, and no instant of a record remains.
    a_date = re.compile(r'"[0-9]{4}-[0-9]{2}')
    for name, resources in bundles():
        assert a_date.search("".join(map(text, resources))), name
        for _, made in released(MODE, resources):
            assert not a_date.search(text(made)), made["id"]


def test_what_a_hospital_wrote_in_a_form_of_its_own_stays_behind():
    # H9: of what can hold anything, nobody can say that the rest does not identify the person.
    tag = [{"system": f"{TERMS.base}/origin", "code": "hospital"}]
    own = {
        "resourceType": "Observation", "id": "o1", "meta": {"tag": tag}, "status": "final",
        "code": {"text": "Zorbelin's pressure"}, "subject": {"reference": "Patient/p1"},
    }  # fmt: skip
    with pytest.raises(LeftOut, match="written by the hospital"):
        one(MODE, own)


def test_two_runs_cannot_be_joined():
    first, second = (one(MODE, patient(), key=key) for key in (b"1" * 32, b"2" * 32))
    assert first["id"] != second["id"]
    assert first["identifier"] != second["identifier"]


def test_the_result_says_what_was_done_and_by_what():
    made = one(MODE, patient())
    assert [each["code"] for each in made["meta"]["security"]] == ["ANONYED"]
    told = deidentifier(MODE).provenance("p1")
    assert is_valid(told)
    assert told["target"] == [{"reference": f"Patient/{made['id']}"}]
    assert told["activity"]["coding"][0]["code"] == "DEID"
    assert datetime.fromisoformat(told["recorded"]) == NOW
