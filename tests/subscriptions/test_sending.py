"""The sender: handshake, events in order, retries, error, heartbeat, end, revocation, leases. Both databases."""

import json
import threading

import httpx
import pytest

from service.access.clients import revoke
from service.fhir.validate import check_bytes
from service.store.subscription_rows import find_subscription, hold_subscription
from service.subscriptions.sending import FAILURES_UNTIL_ERROR
from tests.subscriptions.conftest import BASE, TOPICS, URL, extension, subscription


def parameters(request):
    """The status of a notification, by name; events as a list of their parts."""
    bundle = json.loads(request.content)
    assert [str(issue) for issue in check_bytes(request.content) if issue.severity == "error"] == []
    assert bundle["type"] == "history"
    found = {"bundle": bundle, "events": []}
    for each in bundle["entry"][0]["resource"]["parameter"]:
        value = next((value for name, value in each.items() if name.startswith("value")), None)
        if each["name"] == "notification-event":
            parts = {part["name"]: next(v for n, v in part.items() if n.startswith("value")) for part in each["part"]}
            found["events"].append(parts)
        else:
            found[each["name"]] = value
    return found


def numbers(requests):
    return [[int(event["event-number"]) for event in parameters(each)["events"]] for each in requests]


def row(side, id_):
    with side.database.read() as connection:
        return find_subscription(connection, side.settings.site, id_)


def test_a_handshake_that_is_taken_makes_the_subscription_active(side):
    id_ = side.make(header=["Authorization: Bearer secret-7"])
    assert side.read(id_)["status"] == "requested"
    assert side.sender().tell_all_due() == 1
    (request,) = side.receiver.got
    assert request.headers["authorization"] == "Bearer secret-7"
    assert request.headers["content-type"] == "application/fhir+json"
    told = parameters(request)
    assert told["status"] == "requested"
    assert told["type"] == "handshake"
    assert told["topic"] == f"{TOPICS}/check-charted"
    assert told["subscription"] == {"reference": f"{BASE}/Subscription/{id_}"}
    assert told["events-since-subscription-start"] == "0"
    assert told["bundle"]["entry"][0]["request"] == {"method": "GET", "url": f"{BASE}/Subscription/{id_}/$status"}
    served = side.read(id_)
    assert (served["status"], served["meta"]["versionId"]) == ("active", "2")
    assert side.sender().tell_all_due() == 0


@pytest.mark.parametrize("answer", [404, 302, 500, httpx.ConnectTimeout("late")])
def test_a_handshake_that_is_not_taken_is_an_error_until_the_client_asks_again(side, answer):
    id_ = side.make()
    side.receiver.answers = [answer]
    side.sender().tell_all_due()
    served = side.read(id_)
    assert served["status"] == "error"
    assert served["error"].startswith("handshake: the endpoint")
    assert side.sender().tell_all_due() == 0
    assert side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_)).status_code == 200
    assert side.sender().tell_all_due() == 1
    assert side.read(id_)["status"] == "active"
    assert "error" not in side.read(id_)


def test_events_are_told_in_order_and_no_more_at_once_than_agreed(side):
    side.active(extension=[extension("backport-max-count", valuePositiveInt=2)])
    for number in range(1, 6):
        side.chart(number)
    while side.sender().tell_all_due():
        pass
    assert numbers(side.receiver.got) == [[1, 2], [3, 4], [5]]
    assert [parameters(each)["events-since-subscription-start"] for each in side.receiver.got] == ["2", "4", "5"]
    assert side.sender().tell_all_due() == 0


@pytest.mark.parametrize(
    ("content", "has_topic", "has_focus", "has_resource"),
    [("empty", False, False, False), ("id-only", True, True, False), ("full-resource", True, True, True)],
)
def test_the_content_is_what_was_agreed_and_no_more(side, content, has_topic, has_focus, has_resource):
    side.active(content=content)
    side.chart(1)
    side.sender().tell_all_due()
    told = parameters(side.receiver.got[0])
    assert ("topic" in told) is has_topic
    assert ("focus" in told["events"][0]) is has_focus
    entries = told["bundle"]["entry"]
    assert (len(entries) == 2) is has_resource
    if has_resource:
        place = entries[1]["request"]["url"]
        assert told["events"][0]["focus"] == {"reference": f"{BASE}/{place}"}
        assert entries[1]["resource"]["code"]["coding"][0]["code"] == "closure-check"
    else:
        assert b"Observation" not in side.receiver.got[0].content.replace(b"/Observation/", b"")


def test_a_corrected_check_is_told_with_the_version_that_the_event_is_about(side):
    side.active(content="full-resource")
    side.chart(1)
    side.sender().tell_all_due()
    from tests.intake.documents import retraction

    side.clock.forward(seconds=1)
    side.workflow.record_entries("alder-1", retraction("re-1", "ch-1", "2026-03-09T10:00:00+01:00"), side.clock())
    side.sender().tell_all_due()
    first, second = (parameters(each)["bundle"]["entry"][1] for each in side.receiver.got)
    assert (first["response"]["status"], first["resource"]["status"]) == ("201", "final")
    assert (second["response"]["status"], second["resource"]["status"]) == ("200", "entered-in-error")
    assert first["resource"]["id"] == second["resource"]["id"]


def test_a_fault_is_tried_again_later_with_the_same_numbers(side):
    id_ = side.active()
    side.chart(1)
    side.receiver.answers = [503, httpx.ReadTimeout("late"), 200]
    assert side.sender().tell_all_due() == 1
    assert side.sender().tell_all_due() == 0, "not before the wait is over"
    side.clock.forward(seconds=10)
    assert side.sender().tell_all_due() == 1
    side.chart(2)
    side.clock.forward(seconds=10)
    assert side.sender().tell_all_due() == 0, "the wait grows"
    side.clock.forward(seconds=10)
    assert side.sender().tell_all_due() == 1
    assert numbers(side.receiver.got) == [[1], [1], [1, 2]]
    assert (row(side, id_).failures, side.read(id_)["status"]) == (0, "active")


def test_retry_after_is_waited_for(side):
    side.active()
    side.chart(1)
    side.receiver.answers = [httpx.Response(429, headers={"Retry-After": "120"})]
    side.sender().tell_all_due()
    side.clock.forward(seconds=119)
    assert side.sender().tell_all_due() == 0
    side.clock.forward(seconds=1)
    assert side.sender().tell_all_due() == 1


def test_repeated_faults_end_in_error_events_go_on_being_counted_and_nothing_is_lost(side):
    id_ = side.active()
    side.chart(1)
    side.receiver.answers = [500] * FAILURES_UNTIL_ERROR
    for _ in range(FAILURES_UNTIL_ERROR):
        assert side.sender().tell_all_due() == 1
        side.clock.forward(seconds=901)
    assert side.read(id_)["status"] == "error"
    assert side.read(id_)["error"] == "the endpoint answered 500"
    assert side.sender().tell_all_due() == 0
    side.chart(2)
    status = side.http.get(f"/fhir/Subscription/{id_}/$status").json()["entry"][0]["resource"]["parameter"]
    said = {each["name"]: each for each in status}
    assert said["events-since-subscription-start"]["valueString"] == "2"
    assert said["error"]["valueCodeableConcept"]["coding"][0]["code"] == "no-response"
    side.receiver.got.clear()
    side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_))
    while side.sender().tell_all_due():
        pass
    assert [parameters(each)["type"] for each in side.receiver.got] == ["handshake", "event-notification"]
    assert numbers(side.receiver.got) == [[], [1, 2]]


def test_a_heartbeat_comes_when_nothing_was_told_for_the_period(side):
    side.active(extension=[extension("backport-heartbeat-period", valueUnsignedInt=60)])
    side.clock.forward(seconds=59)
    assert side.sender().tell_all_due() == 0
    side.clock.forward(seconds=1)
    assert side.sender().tell_all_due() == 1
    assert parameters(side.receiver.got[0])["type"] == "heartbeat"
    assert parameters(side.receiver.got[0])["events-since-subscription-start"] == "0"
    assert side.sender().tell_all_due() == 0
    side.chart(1)
    side.sender().tell_all_due()
    side.clock.forward(seconds=59)
    assert side.sender().tell_all_due() == 0, "an event counts as a sign of life"


def test_a_failed_heartbeat_waits_like_any_other(side):
    id_ = side.active(extension=[extension("backport-heartbeat-period", valueUnsignedInt=60)])
    side.clock.forward(seconds=60)
    side.receiver.answers = [500]
    side.sender().tell_all_due()
    assert side.sender().tell_all_due() == 0
    assert (row(side, id_).failures, side.read(id_)["status"]) == (1, "active")


def test_the_end_is_honoured(side):
    id_ = side.active(end="2026-03-09T12:10:00Z")
    side.chart(1)
    side.clock.forward(minutes=10)
    assert side.sender().tell_all_due() == 1
    assert side.read(id_)["status"] == "off"
    assert side.receiver.got == []


def test_a_client_whose_access_ended_is_told_nothing_more(side):
    id_ = side.active()
    side.chart(1)
    revoke(side.database, side.client_id, side.clock())
    side.sender().tell_all_due()
    assert side.receiver.got == []
    assert row(side, id_).status == "off"


def test_an_endpoint_that_the_operator_no_longer_allows_is_told_nothing_more(side):
    from dataclasses import replace

    from service.subscriptions.endpoints import Endpoints

    id_ = side.active()
    side.chart(1)
    replace(side.sender(), endpoints=Endpoints()).tell_all_due()
    assert side.receiver.got == []
    assert side.read(id_)["status"] == "error"


def test_two_senders_at_once_tell_each_event_once(side):
    for _ in range(4):
        side.active()
    side.chart(1)
    start, faults = threading.Barrier(2), []

    def tell(holder):
        try:
            start.wait()
            while side.sender(holder).tell_all_due():
                pass
        except Exception as fault:
            faults.append(fault)

    threads = [threading.Thread(target=tell, args=(f"sender-{number}",)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    told = [parameters(each)["subscription"]["reference"] for each in side.receiver.got]
    assert len(told) == len(set(told)) == 4


def test_a_subscription_that_another_sender_holds_is_left_alone_until_its_lease_is_over(side):
    id_ = side.active()
    side.chart(1)
    now = row(side, id_).last_updated + 10_000_000
    with side.database.write() as connection:
        assert hold_subscription(connection, side.settings.site, id_, "crashed", now, 60)
        assert not hold_subscription(connection, side.settings.site, id_, "other", now, 60)
    side.clock.forward(seconds=120)
    assert side.sender().tell_all_due() == 0, "the lease: a minute and four times the timeout of 15 s"
    side.clock.forward(seconds=10)
    assert side.sender().tell_all_due() == 1
    assert numbers(side.receiver.got) == [[1]]


def test_what_a_client_changes_during_an_attempt_is_not_overrun_by_its_outcome(side):
    id_ = side.make()

    def answer(request):
        changed = subscription(id=id_, topic="alert")
        assert side.http.put(f"/fhir/Subscription/{id_}", json=changed).status_code == 200
        return httpx.Response(200)

    side.sender(client=httpx.Client(transport=httpx.MockTransport(answer))).tell_all_due()
    assert side.read(id_)["status"] == "requested", "the handshake was that of the version before"
    assert side.sender().tell_all_due() == 1
    assert side.read(id_)["status"] == "active"


def test_events_that_were_told_are_forgotten_after_a_month_and_others_never(side):
    told, untold = side.active(), side.active(topic="widest-gap")
    side.chart(1)
    side.receiver.answers = [200, 500] if told < untold else [500, 200]
    side.sender().tell_all_due()
    assert side.sender().forget_old() == 0
    side.clock.forward(days=31)
    assert side.sender().forget_old() == 1
    left = side.http.get(f"/fhir/Subscription/{untold}/$events").json()["entry"][0]["resource"]["parameter"]
    assert [each["name"] for each in left].count("notification-event") == 2


def test_the_notification_names_the_profiles_of_the_backport(side):
    side.active()
    side.chart(1)
    side.sender().tell_all_due()
    bundle = json.loads(side.receiver.got[0].content)
    assert bundle["meta"]["profile"] == [f"{URL}/backport-subscription-notification-r4"]
    assert bundle["entry"][0]["resource"]["meta"]["profile"] == [f"{URL}/backport-subscription-status-r4"]
