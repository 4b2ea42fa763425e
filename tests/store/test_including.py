"""Row 37 on the database: what travels beside the matches (https://hl7.org/fhir/R4/search.html#include)."""

import threading

import pytest

from tests.store.samples import NOON, SITE, draft, later, observation, save
from tests.store.test_searching import ids, search


def provenance(id_: str, *targets: str) -> dict:
    return {"resourceType": "Provenance", "id": id_, "meta": {}, "target": [{"reference": each} for each in targets]}


def task(id_: str, patient: str, focus: str, plan: str) -> dict:
    return {
        "resourceType": "Task", "id": id_, "meta": {}, "for": {"reference": f"Patient/{patient}"},
        "focus": {"reference": focus}, "basedOn": [{"reference": plan}],
    }  # fmt: skip


def of_patient(type_: str, id_: str, patient: str) -> dict:
    return {"resourceType": type_, "id": id_, "meta": {}, "subject": {"reference": f"Patient/{patient}"}}


@pytest.fixture
def filled(store):
    save(
        store,
        {"resourceType": "Patient", "id": "p-1", "meta": {}},
        {"resourceType": "Patient", "id": "p-2", "meta": {}},
        {"resourceType": "Device", "id": "d-1", "meta": {}, "patient": {"reference": "Patient/p-1"}},
        of_patient("CarePlan", "c-1", "p-1"),
        of_patient("DeviceUseStatement", "u-1", "p-1"),
        observation(1, device={"reference": "Device/d-1"}, basedOn=[{"reference": "CarePlan/c-1/_history/1"}]),
        observation(2, derivedFrom=[{"reference": "Observation/p-1-o-1"}, {"reference": "Observation/unknown"}]),
        observation(3, patient="p-2", device={"reference": "https://other.example/fhir/Device/d-1"}),
        task("t-1", "p-1", "DeviceUseStatement/u-1", "CarePlan/c-1"),
    )
    with store.write(SITE, later(1)) as unit:
        unit.save_resources(
            [
                draft(provenance("v-1", "Observation/p-1-o-1/_history/1", "Device/d-1"), patient="p-1"),
                draft(provenance("v-2", "Observation/p-1-o-2", "Observation/p-1-o-1"), patient="p-1"),
                draft(provenance("v-3", "Observation/p-2-o-3"), patient="p-2"),
                draft(provenance("v-4", "Observation/p-1-o-2")),
            ]
        )
    return store


def beside(store, type_: str, text: str) -> set[str]:
    page = search(store, type_, text)
    assert page.total == len(page.rows)  # what is included is not counted
    assert not set(ids(page)) & {row.id for row in page.included if row.type == type_}
    keys = [f"{row.type}/{row.id}" for row in page.included]
    assert len(keys) == len(set(keys))
    return set(keys)


@pytest.mark.parametrize(
    ("type_", "text", "expected"),
    [
        ("Observation", "_include=Observation:patient", {"Patient/p-1", "Patient/p-2"}),
        ("Observation", "_include=Observation:subject:Patient&patient=p-2", {"Patient/p-2"}),
        ("Observation", "_include=Observation:subject:Device", set()),
        ("Observation", "_include=Observation:device", {"Device/d-1"}),
        ("Observation", "_include=Observation:device&patient=p-2", set()),  # another server's
        ("Observation", "_include=Observation:based-on&_id=p-1-o-1", {"CarePlan/c-1"}),
        ("Observation", "_include=Observation:derived-from&_id=p-1-o-2", {"Observation/p-1-o-1"}),
        ("Observation", "_include=Observation:derived-from", set()),  # a match already
        ("Task", "_include=Task:focus&_include=Task:based-on", {"DeviceUseStatement/u-1", "CarePlan/c-1"}),
        ("Task", "_include=Task:focus:CarePlan", set()),
        ("Observation", "_revinclude=Provenance:target&_id=p-1-o-1", {"Provenance/v-1", "Provenance/v-2"}),
        ("Observation", "_revinclude=Provenance:target&patient=p-2", {"Provenance/v-3"}),
        ("Observation", "_revinclude=Provenance:target&_id=p-1-o-2", {"Provenance/v-2", "Provenance/v-4"}),
        ("Observation", "_revinclude=Provenance:target:Observation&_id=p-1-o-1", {"Provenance/v-1", "Provenance/v-2"}),
        ("Device", "_revinclude=Provenance:target", {"Provenance/v-1"}),
        ("Device", "_revinclude=Observation:device&_revinclude=Observation:subject", {"Observation/p-1-o-1"}),
        ("Patient", "_revinclude=Observation:patient&_id=p-2", {"Observation/p-2-o-3"}),
        ("Patient", "_revinclude=Task:subject&_revinclude=Device:patient", {"Task/t-1", "Device/d-1"}),
        ("CarePlan", "_revinclude=Task:based-on&_revinclude=Observation:based-on", {"Task/t-1", "Observation/p-1-o-1"}),
        ("Observation", "_include=Observation:device&_id=none", set()),
        ("Observation", "_include=Observation:device&_summary=count", set()),
    ],
)  # fmt: skip
def test_row_37_includes(filled, type_, text, expected):
    if "_summary=count" in text:
        assert search(filled, type_, text).included == ()
    else:
        assert beside(filled, type_, text) == expected


def test_row_37_what_was_deleted_is_not_included(filled):
    with filled.write(SITE, later(2)) as unit:
        unit.delete_resources([("Device", "d-1")])
    assert beside(filled, "Observation", "_include=Observation:device") == set()


def test_row_37_includes_travel_on_the_page_of_their_match_under_writes(store):
    devices = [{"resourceType": "Device", "id": f"d-{number}", "meta": {}} for number in range(60)]
    matches = [observation(number, device={"reference": f"Device/d-{number}"}) for number in range(60)]
    save(store, *devices, *matches)
    with store.write(SITE, NOON) as unit:
        unit.save_resources([draft(provenance(f"v-{n}", f"Observation/p-1-o-{n}"), patient="p-1") for n in range(60)])
    stop = threading.Event()

    def keep_writing() -> None:
        number = 1000
        while not stop.is_set():
            save(store, observation(number, device={"reference": "Device/d-1"}), now=later(number))
            number += 1

    writer = threading.Thread(target=keep_writing)
    writer.start()
    text, seen = "patient=p-1&_include=Observation:device&_revinclude=Provenance:target&_count=7", []
    try:
        page = search(store, "Observation", text)
        while True:
            assert len(page.rows) <= 7
            first = [row.id.removeprefix("p-1-o-") for row in page.rows if int(row.id.removeprefix("p-1-o-")) < 60]
            keys = {f"{row.type}/{row.id}" for row in page.included}
            assert {f"{type_}-{number}" for type_ in ("Device/d", "Provenance/v") for number in first} <= keys
            assert keys <= {f"{type_}-{number}" for type_ in ("Device/d", "Provenance/v") for number in [*first, "1"]}
            seen += ids(page)
            if page.next is None or len(seen) > 2000:
                break
            page = search(store, "Observation", text, page.next)
            if {each["id"] for each in matches} <= set(seen):
                stop.set()
    finally:
        stop.set()
        writer.join()
    assert len(seen) == len(set(seen))
    assert {each["id"] for each in matches} <= set(seen)
