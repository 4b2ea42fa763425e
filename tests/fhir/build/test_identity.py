"""Ids come from the source: the same reading is the same resource everywhere."""

import uuid
from decimal import Decimal

from service.fhir.build.identity import NAMESPACE, Names, hospital_id, identifier_system
from service.fhir.build.values import station_name

BASE = "https://closure-readings.example/fhir"


def names(entry_id: str | None = "c1", course_id: str = "leg-7", site: str = "east") -> Names:
    return Names(site, identifier_system(BASE, site), course_id, entry_id)


def test_an_id_is_the_version_5_uuid_of_site_course_entry_and_role():
    # Source: RFC 4122, 4.3, as Python's uuid.uuid5 does it.
    expected = uuid.uuid5(NAMESPACE, "\x1f".join(("east", "leg-7", "c1", "gap/120")))
    assert names().ids["gap/120"] == str(expected)
    assert names(None).ids["plan"] == str(uuid.uuid5(NAMESPACE, "east\x1fleg-7\x1f\x1fplan"))


def test_a_patient_has_one_id_in_every_course_of_a_site():
    expected = uuid.uuid5(NAMESPACE, "\x1f".join(("east", "Patient", "https://h.example/mrn", "4711")))
    assert hospital_id("east", "Patient", "https://h.example/mrn", "4711") == str(expected)


def test_many_ids_are_the_ones_of_the_standard_library():
    for number in range(500):
        assert names().ids[f"gap/{number}"] == str(uuid.uuid5(NAMESPACE, f"east\x1fleg-7\x1fc1\x1fgap/{number}"))


def test_neither_site_course_entry_nor_role_run_together():
    listed = [
        names("c1", "leg-7").ids["gap/1"], names("c1", "leg-").ids["7gap/1"], names("c", "leg-7").ids["1gap/1"],
        names("c1", "leg-7", "west").ids["gap/1"], names(None, "leg-7").ids["c1/gap/1"],
    ]  # fmt: skip
    assert len(set(listed)) == len(listed)


def test_a_station_has_one_name_however_it_was_written():
    assert {station_name(Decimal(text)) for text in ("120", "120.0", "1.2E+2", "120.00")} == {"120"}
    assert station_name(Decimal("12.50")) == "12.5"


def test_the_identifier_says_course_entry_and_role():
    assert names().identifier("gap/120") == [{"system": f"{BASE}/sid/east", "value": "leg-7/c1/gap/120"}]


def test_an_identifier_stays_under_64_characters_and_stays_its_own():
    # Source: row A8.68 of the requirements this project was given: under 64, and under 128 with its system.
    long = names("e" * 64, "c" * 64)
    values = [long.identifier(role)[0]["value"] for role in ("gap/1", "gap/2")]
    assert all(len(value) < 64 for value in values)
    assert values[0] != values[1]
    assert names("e" * 20, "c" * 36).identifier("gap/1")[0]["value"] == "c" * 36 + "/" + "e" * 20 + "/gap/1"
    assert names("e" * 20, "c" * 37).identifier("gap/1")[0]["value"].startswith("sha256.")


def test_a_site_with_blanks_and_slashes_has_a_system_that_is_a_url():
    assert identifier_system(BASE, "ward 3/b") == f"{BASE}/sid/ward%203%2Fb"
