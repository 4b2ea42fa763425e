"""Against a receiver that behaves: what arrives, under which ids, once, in order; what is held and what waits."""

import json
import logging
import threading
import time

import pytest

from service.delivery.bundle import condition, ordered, transaction
from service.delivery.destination import destination_of
from service.delivery.gathering import gather
from service.delivery.running import deliver_once, deliver_until
from service.delivery.translations import Translations
from service.fhir import wire
from service.fhir.validate import check
from service.fhir.validate.second_opinion import second_opinion
from service.store.audit import AuditAsked, find_events
from service.store.destination_rows import change_destination, find_destination
from service.store.outbox_rows import SKIPPED, WAITING, release_held
from service.store.queue_rows import claim
from tests.delivery.agreement import Sender, assert_agreement
from tests.delivery.receiver import Plan, Server, receiver
from tests.delivery.ward import NAME, PATIENTS, SITE, open_ward, patient_of, small_check
from tests.intake.documents import amendment, retraction


def agree(ward, running, writing="put"):
    left_out = frozenset({"Provenance"}) if writing == "conditional" else frozenset()
    url = ward.workflow.settings.database_url
    return assert_agreement(Sender(url, left_out), running.records, writing == "conditional")


def admit(running, *numbers):
    for who in dict.fromkeys(map(patient_of, numbers)):
        running.server.patient(PATIENTS, who)


def set_destination(ward, **values):
    with ward.database.write() as connection:
        assert change_destination(connection, SITE, NAME, values)


def release(ward, course_id, state):
    with ward.workflow.store.write(SITE, ward.clock()) as unit:
        return release_held(unit.connection, SITE, NAME, course_id, state, 0)


def test_a_course_arrives_and_every_later_change_of_it(ward, running, writing):
    admit(running, 1)
    ward.destination(running.base, writing=writing)
    ward.record(1)
    assert deliver_once(ward.delivering) == {"delivered": 1}
    assert agree(ward, running, writing) > 30
    ward.add(1, small_check(2, "44.0"))
    ward.add(1, amendment("am-1", small_check(1, "49.5")))
    ward.add(1, retraction("rt-1", "ch-2"))
    assert deliver_once(ward.delivering) == {"delivered": 1}, "three writes that waited go as one newest state"
    agree(ward, running, writing)
    assert {row.state for row in ward.rows()} == {"delivered"}


def test_nothing_due_means_no_request(ward, running, writing):
    admit(running, 1)
    ward.destination(running.base, writing=writing)
    ward.record(1)
    deliver_once(ward.delivering)
    before = len(running.requests)
    assert deliver_once(ward.delivering) == {}
    assert len(running.requests) == before


def test_backfill_sends_every_course_as_it_stands(ward, running, writing):
    admit(running, 1, 2)
    ward.record(1, 2)
    ward.add(1, small_check(2))
    ward.destination(running.base, writing=writing, backfill=True)
    assert deliver_once(ward.delivering) == {"delivered": 2}
    agree(ward, running, writing)


@pytest.mark.parametrize("patients", ["conditional", "logical", "own"])
def test_our_bundles_are_sound_r4_for_two_validators(light, writing, patients):
    light.destination("https://record.alder-bay.example/fhir", writing=writing, patients=patients)
    light.record(1)
    (row,) = light.rows()
    with light.database.read() as connection:
        destination = destination_of(find_destination(connection, SITE, NAME))
    with light.workflow.store.read(SITE) as reading:
        parcel = gather(reading, destination, row.patient)
    bundle = transaction(parcel, destination, Translations())
    assert check(bundle) == []
    assert second_opinion(bundle, wire.write(bundle)) == []
    assert len(bundle["entry"]) == len(ordered(parcel)) > 30


@pytest.mark.parametrize("value", ["AB-1", "a|b", "a,b$c\\d", "a b&c=d+e", "Größe 7/8?#%"])
def test_an_identifier_is_found_by_the_condition_made_of_it(value):
    """search.html#escaping: what separates values is escaped, then what separates parts of a URL."""
    server = Server(assigns_ids=True)
    for system in (PATIENTS, "urn:oid:2.999.1"):
        own = server.patient(system, value)
        query = condition({"identifier": [{"system": system, "value": value}]})
        assert server._answers("Patient", query) == [own]


def test_references_are_those_of_the_receiver_and_name_no_version_of_ours(light, putting):
    admit(putting, 1)
    light.destination(putting.base)
    light.record(1)
    deliver_once(light.delivering)
    (patient,) = [own for type_, own in putting.records.bodies if type_ == "Patient"]
    told = json.dumps([bodies[-1] for bodies in putting.records.bodies.values()])
    assert f"Patient/{patient}" in told
    assert "_history" not in told


def test_the_hospitals_own_patient_is_used_and_not_written_over(light):
    with receiver(assigns_ids=True) as running:
        own = running.server.patient(PATIENTS, "AB-1")
        light.destination(running.base, writing="conditional", patients="own")
        light.record(1)
        light.add(1, small_check(2))
        deliver_once(light.delivering)
        assert [key for key in running.records.bodies if key[0] == "Patient"] == [("Patient", own)]
        assert len(running.records.bodies["Patient", own]) == 1


def test_a_patient_that_is_not_there_is_made_where_that_is_wished(light, writing, running):
    light.destination(running.base, writing=writing, patients="own")
    light.record(8, 9)
    assert deliver_once(light.delivering) == {"delivered": 2}
    assert len([key for key in running.records.bodies if key[0] == "Patient"]) == 1
    agree(light, running, writing)


def test_a_logical_reference_names_the_patient_by_identifier(light, putting):
    light.destination(putting.base, patients="logical")
    light.record(1)
    assert deliver_once(light.delivering) == {"delivered": 1}
    subjects = [body[-1]["subject"] for (type_, _), body in putting.records.bodies.items() if type_ == "Observation"]
    expected = {"type": "Patient", "identifier": {"system": PATIENTS, "value": "AB-1"}}
    assert subjects
    assert all(each == expected for each in subjects)


def test_a_patient_unknown_at_the_receiver_holds_the_course_until_somebody_admits_it(ward, putting):
    ward.destination(putting.base)
    ward.record(1)
    assert deliver_once(ward.delivering) == {"held": 1}
    assert "conditional reference to Patient" in ward.rows("held")[0].refusal
    admit(putting, 1)
    assert deliver_once(ward.delivering) == {}, "held is held"
    assert release(ward, "alder-1", WAITING) == 1
    assert deliver_once(ward.delivering) == {"delivered": 1}
    agree(ward, putting)


def test_only_the_types_asked_for_go_and_the_rest_is_referred_to_by_identifier(light, writing, running):
    admit(running, 1)
    light.destination(running.base, writing=writing, types=("Observation",))
    light.record(1)
    assert deliver_once(light.delivering) == {"delivered": 1}
    assert {type_ for type_, _ in running.records.bodies} == {"Observation", "Patient"}
    devices = [body[-1]["device"] for body in running.records.bodies.values() if "device" in body[-1]]
    assert devices
    assert all(each["identifier"]["value"].startswith("alder-1/") and "reference" not in each for each in devices)


def test_only_what_claims_a_profile_asked_for_goes(light, putting):
    admit(putting, 1)
    profile = light.workflow.site.frame.terms.profiles_by_type()["Task"][0]
    light.destination(putting.base, profiles=(profile,))
    light.record(1)
    deliver_once(light.delivering)
    assert {type_ for type_, _ in putting.records.bodies} == {"Task", "Patient"}


def test_a_write_with_nothing_to_send_is_settled_without_a_request(light, putting):
    light.destination(putting.base, types=("Encounter",), patients="own")
    light.record(1)
    assert deliver_once(light.delivering) == {"delivered": 1}
    assert putting.requests == []


# What fails


@pytest.mark.parametrize("fault", ["503", "500", "cut", "429"])
def test_a_temporary_fault_waits_and_then_arrives(ward, writing, running, fault):
    admit(running, 1)
    running.plan.script = [fault, fault]
    ward.destination(running.base, writing=writing)
    ward.record(1)
    assert deliver_once(ward.delivering) == {"waits": 1}
    assert deliver_once(ward.delivering) == {}, "not before its time"
    ward.clock.move(2.1)
    assert deliver_once(ward.delivering) == {"waits": 1}
    ward.clock.move(2.1)
    assert deliver_once(ward.delivering) == ({} if fault != "429" else {"delivered": 1})
    ward.clock.move(2)
    deliver_once(ward.delivering)
    agree(ward, running, writing)
    assert ward.standing().failures == 0


def test_no_fault_ever_makes_it_give_up(light, putting):
    admit(putting, 1)
    putting.plan.script = ["503"] * 12
    light.destination(putting.base)
    light.record(1)
    for _ in range(12):
        assert deliver_once(light.delivering) == {"waits": 1}
        light.clock.move(900)
    assert deliver_once(light.delivering) == {"delivered": 1}


def test_retry_after_is_kept_to_for_everything_that_waits(light, putting):
    admit(putting, 1, 2)
    putting.plan.script = ["429-date"]
    light.clock.now = light.clock.now.now(light.clock.now.tzinfo)
    light.destination(putting.base)
    light.record(1, 2)
    assert deliver_once(light.delivering) == {"waits": 1}
    assert len(putting.requests) == 1, "the other course waits as well"


def test_an_error_about_one_bundle_keeps_no_other_waiting(light, putting):
    admit(putting, 1, 2)
    putting.plan.script = ["500"]
    light.destination(putting.base)
    light.record(1, 2)
    assert deliver_once(light.delivering) == {"waits": 1, "delivered": 1}


@pytest.mark.parametrize("fault", ["stored-timeout", "cut-stored"])
def test_stored_without_our_hearing_of_it_is_not_stored_twice(tmp_path, writing, fault):
    plan = Plan(script=[fault], silent_s=0.6)
    with (
        receiver(writing == "conditional", plan) as running,
        open_ward(f"sqlite:///{tmp_path}/ward.sqlite3", timeout_s=0.3) as ward,
    ):
        admit(running, 1)
        ward.destination(running.base, writing=writing)
        ward.record(1)
        assert deliver_once(ward.delivering) == {"waits": 1}
        ward.add(1, small_check(2, "43.0"))  # newer than what was stored there
        ward.add(1, amendment("am-1", small_check(1, "48.0")))
        ward.clock.move(5)
        outcomes = deliver_once(ward.delivering)
        assert outcomes == ({"delivered": 1} if writing == "put" else {"again": 1, "delivered": 1})
        agree(ward, running, writing)


def test_a_refusal_holds_the_course_at_that_destination_only(ward, putting, caplog):
    admit(putting, 1, 2)
    putting.plan.script = ["422"]
    with receiver() as other:
        admit(other, 1, 2)
        ward.destination(putting.base)
        ward.destination(other.base, name="zz-archive")
        ward.record(1, 2)
        with caplog.at_level(logging.WARNING):
            assert deliver_once(ward.delivering) == {"held": 1, "delivered": 3}
        agree(ward, other)
    (held,) = ward.rows("held")
    assert "the ward sister says no" in held.refusal
    assert "sister" not in caplog.text
    assert (ward.standing().held, ward.standing().courses_held) == (1, 1)
    ward.add(int(held.course_id.partition("-")[2]), small_check(2))
    assert deliver_once(ward.delivering).get("delivered", 0) == 0, "what is written later waits behind it"
    assert ward.standing().waiting == 1
    assert release(ward, held.course_id, WAITING) == 1
    assert deliver_once(ward.delivering)["delivered"] == 1
    agree(ward, putting)


def test_the_second_course_of_a_patient_goes_on_while_the_first_is_held(ward, putting):
    admit(putting, 8)
    putting.plan.script = ["422"]
    ward.destination(putting.base)
    ward.record(8, 9)
    assert deliver_once(ward.delivering) == {"held": 1, "delivered": 1}


def test_what_was_skipped_is_sent_when_something_later_refers_to_it(ward, putting):
    admit(putting, 1)
    putting.plan.script = ["422"]
    ward.destination(putting.base)
    ward.record(1)
    deliver_once(ward.delivering)
    assert release(ward, "alder-1", SKIPPED) == 1
    assert deliver_once(ward.delivering) == {"nothing": 1}
    assert [key for key in putting.records.bodies if key[0] != "Patient"] == []
    ward.add(1, small_check(2))
    assert deliver_once(ward.delivering) == {"delivered": 1}
    types = {type_ for type_, _ in putting.records.bodies}
    assert {"CarePlan", "Device", "DeviceUseStatement", "Condition"} <= types, "left out before, referred to now"


def test_a_paused_destination_gets_nothing_and_then_all(ward, putting):
    admit(putting, 1)
    ward.destination(putting.base, paused=True)
    ward.record(1)
    assert deliver_once(ward.delivering) == {}
    set_destination(ward, paused=False)
    assert deliver_once(ward.delivering) == {"delivered": 1}


def test_who_died_with_a_lease_is_followed_by_another_when_it_ends(ward, putting):
    admit(putting, 1)
    ward.destination(putting.base)
    ward.record(1)
    now = int(ward.clock().timestamp() * 1_000_000)
    with ward.database.write() as connection:
        assert claim(connection, SITE, NAME, "killed", now, now + 60_000_000, 0)
    assert deliver_once(ward.delivering) == {}
    ward.clock.move(60)
    assert deliver_once(ward.delivering) == {"delivered": 1}


def test_who_lost_the_lease_while_sending_writes_nothing_down(ward, putting, monkeypatch):
    admit(putting, 1)
    ward.destination(putting.base)
    ward.record(1)
    sent = putting.server.transaction

    def slow(bundle):
        with ward.database.write() as connection:
            late = int(ward.clock().timestamp() * 1_000_000) + 10**12
            assert claim(connection, SITE, NAME, "quicker", late, late + 1, 0)
        return sent(bundle)

    monkeypatch.setattr(putting.server, "transaction", slow)
    assert deliver_once(ward.delivering) == {"lost": 1}
    assert [row.state for row in ward.rows()] == ["waiting"]


def test_a_slow_destination_keeps_no_other_waiting(light, putting):
    admit(putting, 1)
    answered, stop = threading.Event(), threading.Event()
    with receiver() as slow:
        admit(slow, 1)
        promptly = slow.server.transaction
        slow.server.transaction = lambda bundle: promptly(bundle) if answered.wait(20) else None
        light.clock.runs = True
        light.destination(slow.base, name="a-slow-one")
        light.destination(putting.base)
        light.record(1)
        thread = threading.Thread(target=deliver_until, args=(light.delivering, stop))
        thread.start()
        try:
            for _ in range(400):
                if not light.standing().waiting:
                    break
                time.sleep(0.02)
            assert light.standing().waiting == 0
            assert light.standing("a-slow-one").waiting == 1
        finally:
            answered.set()
            stop.set()
            thread.join()


def test_a_destination_that_cannot_be_used_keeps_no_other_waiting(light, putting):
    admit(putting, 1)
    light.destination(putting.base, name="a-broken-one", ca_file="/absent/ca.pem")
    light.destination(putting.base)
    light.record(1)
    assert deliver_once(light.delivering) == {"unusable": 1, "delivered": 1}


# What is told


def test_every_answered_bundle_is_in_the_audit_record(ward, putting):
    admit(putting, 1)
    putting.plan.script = ["422"]
    ward.destination(putting.base)
    ward.record(1)
    deliver_once(ward.delivering)
    release(ward, "alder-1", WAITING)
    ward.clock.move(1)
    deliver_once(ward.delivering)
    with ward.workflow.store.read(SITE) as reading:
        done, refused = find_events(reading, AuditAsked())
    assert (done.outcome, refused.outcome) == ("0", "4")
    event = json.loads(done.body)
    assert event["agent"][1]["network"]["address"] == putting.base
    assert [each["requestor"] for each in event["agent"]] == [True, False]
    told = {one["what"]["reference"] for one in event["entity"] if "reference" in one["what"]}
    assert f"Patient/{done.patient}" in told
    sent = {"/".join((*key, "_history/1")) for key in putting.records.bodies if key[0] != "Patient"}
    assert {each for each in told if "/_history/" in each} == sent
    assert done.request_id == putting.requests[-1][2]["x-request-id"]


def test_a_bundle_that_is_not_sound_does_not_leave_the_house(light, putting, monkeypatch):
    admit(putting, 1)
    light.destination(putting.base)
    light.record(1)
    monkeypatch.setattr("service.delivery.resources_way.is_valid", lambda _: False)
    monkeypatch.setattr("service.delivery.resources_way.check", lambda resource: _as_errors(resource))
    assert deliver_once(light.delivering) == {"held": 1}
    assert putting.requests == []
    assert "not sent" in light.rows("held")[0].refusal


def _as_errors(resource):
    from service.fhir.r4.issue import Issue

    return [Issue("error", "value", resource["resourceType"], "spoilt by the test", "test")]
