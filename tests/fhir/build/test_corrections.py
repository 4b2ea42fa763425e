"""Corrections: the same ids, another status, nothing deleted, whatever the order of arrival."""

import itertools
import random

import pytest

from service.fhir import wire
from service.fhir.project import withdraw
from service.fhir.validate import check
from tests.fhir.build.course_of_nine import (
    ALL,
    AMENDMENT,
    CHECK_1,
    CHECK_2,
    INSTALLATION,
    OPEN,
    OUTCOME,
    RECONCILIATION,
    REMOVAL,
    RESET,
    amended,
    find,
    projected,
    retracted,
)

STATUS = {"Observation", "Procedure", "Device", "DeviceUseStatement", "Flag", "Task", "CarePlan", "DiagnosticReport"}


def by_role(built, entry_id):
    return {(one.type, one.role): one for one in built if one.entry_id == entry_id}


def test_an_amended_entry_has_the_same_ids_and_corrected_observations():
    before, after = by_role(projected(OPEN), "c1"), by_role(projected([*OPEN, AMENDMENT]), "c1")
    for key, one in before.items():
        if key[0] in ("Flag", "Task"):
            continue  # an alert that the corrected entry does not raise is withdrawn by the store
        assert after[key].id == one.id
    assert after["Observation", "gap/100"].resource["status"] == "corrected"
    assert after["Observation", "widest-gap"].resource["status"] == "corrected"
    assert str(after["Observation", "gap/100"].resource["valueQuantity"]["value"]) == "5.10"
    assert after["Procedure", "dressing-change"].resource["status"] == "completed"


def test_what_only_the_earlier_content_had_is_entered_in_error_with_that_content():
    after = by_role(projected([*OPEN, AMENDMENT]), "c1")
    gone = after["Observation", "gap/120"].resource
    assert gone["status"] == "entered-in-error"
    assert str(gone["valueQuantity"]["value"]) == "3.050"
    assert after["Observation", "skin/blister"].resource["status"] == "entered-in-error"
    assert "Entered in error" in gone["text"]["div"]
    members = {member["reference"] for member in after["Observation", "check"].resource["hasMember"]}
    assert f"Observation/{gone['id']}" not in members


def test_a_retracted_entry_is_entered_in_error_whole_and_counts_for_nothing():
    built = projected([*OPEN, retracted(CHECK_1)])
    of_entry = by_role(built, "c1")
    assert of_entry
    assert {one.resource["status"] for one in of_entry.values()} == {"entered-in-error"}
    without = {(one.type, one.id): one.resource for one in projected([e for e in OPEN if e is not CHECK_1])}
    for one in built:
        if one.entry_id != "c1":
            assert without[one.type, one.id] == one.resource


def test_a_retracted_amendment_brings_back_what_it_amended():
    undone = by_role(projected([*OPEN, AMENDMENT, retracted(AMENDMENT)]), "c1")
    original = by_role(projected(OPEN), "c1")
    for key, one in original.items():
        assert undone[key].resource == one.resource
    extra = set(undone) - set(original)
    assert extra == set()  # everything the amendment had, the original has too


def test_a_retracted_installation_takes_its_devices_and_their_use_with_it():
    built = projected([INSTALLATION, retracted(INSTALLATION)])
    for role in ("closure-set", "band/1", "application", "device-use", "gap/100"):
        assert find(built, role, "i1")["status"] == "entered-in-error"
    assert not [one for one in built if one.type == "Task"]


def test_a_band_that_an_amended_installation_does_not_have_is_entered_in_error():
    fewer = amended(INSTALLATION, bands=INSTALLATION["bands"][:2])
    built = projected([INSTALLATION, fewer])
    assert find(built, "band/3", "i1")["status"] == "entered-in-error"
    assert find(built, "relative-band-force/3", "i1")["status"] == "entered-in-error"
    assert find(built, "band/2", "i1")["status"] == "active"


def test_an_outcome_corrected_to_one_without_a_procedure_withdraws_the_procedure():
    built = projected([*OPEN, OUTCOME, amended(OUTCOME, result="secondary-healing")])
    assert find(built, "closure", "o1")["status"] == "entered-in-error"
    assert find(built, "course-outcome", "o1")["status"] == "corrected"
    assert "partOf" not in find(built, "course-outcome", "o1")


def test_a_check_corrected_to_a_device_that_is_out_withdraws_its_stretch_readings():
    out = {**CHECK_2, "device_status": "removed"}
    built = projected([INSTALLATION, CHECK_2, amended(CHECK_2, **out)])
    for role in ("band-stretch/1", "bands-in-range-share"):
        assert find(built, role, "c2")["status"] == "entered-in-error"


def as_bytes(built):
    return sorted(wire.write(one.resource) for one in built)


def test_the_order_of_arrival_changes_not_one_byte():
    expected, rng = as_bytes(projected(ALL)), random.Random(7)
    for _ in range(25):
        shuffled = rng.sample(ALL, len(ALL))
        assert as_bytes(projected(shuffled)) == expected


def test_every_order_of_an_entry_its_amendment_and_a_retraction_gives_the_same():
    entries = (INSTALLATION, CHECK_1, AMENDMENT, retracted(AMENDMENT))
    assert len({tuple(as_bytes(projected(order))) for order in itertools.permutations(entries)}) == 1


@pytest.mark.parametrize(
    "original", [INSTALLATION, CHECK_1, RESET, REMOVAL, RECONCILIATION, OUTCOME], ids=lambda e: e["kind"]
)
def test_a_retracted_entry_of_any_kind_stays_valid_fhir(original):
    alone = [INSTALLATION, *([] if original is INSTALLATION else [original]), retracted(original)]
    for one in projected(alone):
        assert [i for i in check(one.resource) if i.severity == "error"] == [], one.role


def test_whatever_the_projection_gives_can_be_withdrawn_and_stays_valid_fhir():
    for one in projected(ALL):
        body = withdraw(one.resource)
        assert body["id"] == one.id
        assert [i for i in check(body) if i.severity == "error"] == [], one.role
        if one.type in STATUS:
            assert body["status"] == "entered-in-error"


def test_withdrawing_leaves_the_body_it_was_given_alone_and_a_second_time_changes_nothing():
    condition = find(projected(ALL), "condition")
    before = wire.write(condition)
    once = withdraw(condition)
    assert wire.write(condition) == before
    assert wire.write(withdraw(once)) == wire.write(once)
    assert once["verificationStatus"]["coding"][0]["code"] == "entered-in-error"
    assert "clinicalStatus" not in once
    assert "abatementDateTime" not in once


def test_a_goal_is_withdrawn_by_its_life_cycle_and_a_wound_site_by_being_inactive():
    built = projected(ALL)
    assert withdraw(find(built, "goal"))["lifecycleStatus"] == "entered-in-error"
    assert withdraw(find(built, "body-structure"))["active"] is False


def test_a_provenance_is_never_withdrawn():
    with pytest.raises(ValueError, match="never withdrawn"):
        withdraw({"resourceType": "Provenance", "id": "x"})
