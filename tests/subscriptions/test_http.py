"""Subscription over HTTP: who sees what, what is never echoed, refusals with their status, `$status` and `$events`."""

import json

import pytest

from service.fhir.validate import check_bytes
from tests.subscriptions.conftest import BASE, ENDPOINT, TOPICS, subscription

OTHER = "somebody-else"


@pytest.fixture
def database_url(tmp_path):
    return f"sqlite:///{tmp_path / 'readings.sqlite3'}"  # what differs between databases is in the other two files


def sound(answer):
    assert [str(issue) for issue in check_bytes(answer.content) if issue.severity == "error"] == []
    assert answer.headers["content-type"].startswith("application/fhir+json")
    return answer.json()


def test_what_was_made_is_read_back_with_our_status_and_without_its_headers(side):
    answer = side.http.post(
        "/fhir/Subscription", json=subscription(status="active", header=["Authorization: Bearer secret-7"])
    )
    assert answer.status_code == 201
    made = sound(answer)
    assert answer.headers["location"] == f"{BASE}/Subscription/{made['id']}/_history/1"
    assert answer.headers["etag"] == 'W/"1"'
    assert made["status"] == "requested"
    assert "header" not in made["channel"]
    for path in (f"/{made['id']}", "", f"/{made['id']}/$status", f"/{made['id']}/$events", "/$status"):
        again = side.http.get(f"/fhir/Subscription{path}")
        assert again.status_code == 200
        sound(again)
        assert b"secret-7" not in again.content


def test_an_id_and_meta_of_the_client_are_not_taken(side):
    made = side.http.post("/fhir/Subscription", json=subscription(id="mine", meta={"versionId": "7"})).json()
    assert made["id"] != "mine"
    assert made["meta"]["versionId"] == "1"


def test_what_is_not_offered_is_422_with_place_and_reason(side):
    answer = side.http.post("/fhir/Subscription", json=subscription(topic="nothing", type="websocket"))
    assert answer.status_code == 422
    issues = sound(answer)["issue"]
    assert {place for each in issues for place in each["expression"]} == {
        "Subscription.criteria",
        "Subscription.channel.type",
    }
    assert side.http.get("/fhir/Subscription").json()["total"] == 0


@pytest.mark.parametrize(
    ("content", "media_type", "status"),
    [
        (b"{", "application/fhir+json", 400),
        (b"{}", "application/xml", 415),
        (b'{"resourceType":"Patient"}', "application/fhir+json", 400),
        (json.dumps({"resourceType": "Subscription"}).encode(), "application/fhir+json", 422),
    ],
)
def test_what_cannot_be_read_is_refused(side, content, media_type, status):
    answer = side.http.post("/fhir/Subscription", content=content, headers={"content-type": media_type})
    assert answer.status_code == status
    assert sound(answer)["resourceType"] == "OperationOutcome"


def test_nobody_sees_or_touches_the_subscription_of_another_client(side):
    id_ = side.make()
    side.as_client(OTHER)
    for path in (f"/{id_}", f"/{id_}/$status", f"/{id_}/$events"):
        assert side.http.get(f"/fhir/Subscription{path}").status_code == 404
    assert side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_)).status_code == 404
    assert side.http.delete(f"/fhir/Subscription/{id_}").status_code == 404
    assert side.http.get("/fhir/Subscription").json()["total"] == 0
    assert side.http.get(f"/fhir/Subscription/$status?id={id_}").json()["total"] == 0
    side.as_client(side.client_id)
    assert side.read(id_)["status"] == "requested"


def test_who_may_not_read_the_type_may_not_be_told_of_it(side):
    id_ = side.make()
    side.as_client(side.client_id, "system/Subscription.cruds system/Task.rs")
    refused = side.http.post("/fhir/Subscription", json=subscription(content="empty"))
    assert refused.status_code == 403
    sound(refused)
    assert side.http.post("/fhir/Subscription", json=subscription(topic="reset-due")).status_code == 201
    assert side.http.get(f"/fhir/Subscription/{id_}/$events").status_code == 403


def test_an_update_begins_anew_and_needs_the_version_that_it_names(side):
    id_ = side.active()
    changed = subscription(id=id_, reason="Another reason")
    stale = side.http.put(f"/fhir/Subscription/{id_}", json=changed, headers={"If-Match": 'W/"1"'})
    assert stale.status_code == 412
    answer = side.http.put(f"/fhir/Subscription/{id_}", json=changed, headers={"If-Match": 'W/"2"'})
    assert answer.status_code == 200
    assert (answer.json()["status"], answer.json()["reason"], answer.headers["etag"]) == (
        "requested",
        "Another reason",
        'W/"3"',
    )
    assert side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id="other")).status_code == 400
    assert side.http.put("/fhir/Subscription/none", json=subscription(id="none")).status_code == 404


def test_a_client_may_put_a_subscription_off_and_on_again(side):
    id_ = side.active()
    assert side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_, status="off")).json()["status"] == "off"
    side.chart(1)
    assert side.sender().tell_all_due() == 0
    side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_))
    assert side.sender().tell_all_due() == 1
    assert side.read(id_)["status"] == "active"


def test_an_update_without_headers_keeps_them_only_for_the_same_endpoint(side):
    id_ = side.make(header=["X-Secret: seven"])
    side.http.put(f"/fhir/Subscription/{id_}", json=subscription(id=id_))
    side.sender().tell_all_due()
    assert side.receiver.got[-1].headers["x-secret"] == "seven"
    moved = subscription(id=id_, endpoint=f"{ENDPOINT}/elsewhere")
    assert side.http.put(f"/fhir/Subscription/{id_}", json=moved).status_code == 200
    side.sender().tell_all_due()
    assert "x-secret" not in side.receiver.got[-1].headers


def test_a_deleted_subscription_is_gone_and_told_nothing_more(side):
    id_ = side.active()
    side.chart(1)
    assert side.http.delete(f"/fhir/Subscription/{id_}").status_code == 204
    assert side.http.get(f"/fhir/Subscription/{id_}").status_code == 410
    assert side.http.delete(f"/fhir/Subscription/{id_}").status_code == 410
    assert side.http.get("/fhir/Subscription").json()["total"] == 0
    assert side.sender().tell_all_due() == 0
    side.chart(2)
    assert side.receiver.got == []


def test_search_finds_by_status_url_topic_and_id(side):
    active, waiting = side.active(), side.make(topic="alert")

    def found(query):
        answer = side.http.get(f"/fhir/Subscription?{query}")
        assert answer.status_code == 200
        return [each["resource"]["id"] for each in sound(answer).get("entry", [])]

    assert found("status=active") == [active]
    assert found("status=active,requested") == sorted([active, waiting])
    assert found(f"url={ENDPOINT}") == sorted([active, waiting])
    assert found("url=https://elsewhere.example") == []
    assert found(f"criteria={TOPICS}/alert") == [waiting]
    assert found(f"_id={waiting}&status=requested") == [waiting]
    assert found("nonsense=1") == sorted([active, waiting])
    strict = side.http.get("/fhir/Subscription?nonsense=1", headers={"Prefer": "handling=strict"})
    assert strict.status_code == 400
    by_form = side.http.post("/fhir/Subscription/_search", data={"status": "active"})
    assert [each["resource"]["id"] for each in by_form.json()["entry"]] == [active]


def test_status_of_all_is_a_searchset_of_statuses(side):
    active, waiting = side.active(), side.make(topic="alert")
    bundle = sound(side.http.get("/fhir/Subscription/$status"))
    assert (bundle["type"], bundle["total"]) == ("searchset", 2)
    one = sound(side.http.get("/fhir/Subscription/$status?status=active"))
    told = {each["name"]: each for each in one["entry"][0]["resource"]["parameter"]}
    assert told["subscription"]["valueReference"]["reference"].endswith(active)
    assert told["type"]["valueCode"] == "query-status"
    asked = {"resourceType": "Parameters", "parameter": [{"name": "id", "valueId": waiting}]}
    by_post = side.http.post(
        "/fhir/Subscription/$status", json=asked, headers={"content-type": "application/fhir+json"}
    )
    assert by_post.json()["total"] == 1


def test_events_are_given_again_by_number_whatever_became_of_them(side):
    id_ = side.active()
    for number in range(1, 5):
        side.chart(number)
    side.receiver.answers = [500]
    side.sender().tell_all_due()
    bundle = sound(side.http.get(f"/fhir/Subscription/{id_}/$events?eventsSinceNumber=2&eventsUntilNumber=3"))
    assert bundle["type"] == "history"
    told = [each for each in bundle["entry"][0]["resource"]["parameter"] if each["name"] == "notification-event"]
    assert [each["part"][0]["valueString"] for each in told] == ["2", "3"]
    said = {each["name"]: each for each in bundle["entry"][0]["resource"]["parameter"]}
    assert said["type"]["valueCode"] == "query-event"
    assert said["events-since-subscription-start"]["valueString"] == "4"
    whole = sound(side.http.get(f"/fhir/Subscription/{id_}/$events?content=full-resource"))
    assert len(whole["entry"]) == 5
    for faulty in ("eventsSinceNumber=x", "content=everything"):
        assert side.http.get(f"/fhir/Subscription/{id_}/$events?{faulty}").status_code == 400


def test_a_client_has_a_limited_number(side, monkeypatch):
    monkeypatch.setattr("service.api.subscription_writes.MOST_OF_A_CLIENT", 2)
    side.make()
    side.make()
    answer = side.http.post("/fhir/Subscription", json=subscription())
    assert answer.status_code == 422
    assert "delete one first" in answer.text


def test_patch_and_conditions_are_not_offered(side):
    id_ = side.make()
    assert side.http.patch(f"/fhir/Subscription/{id_}", json={}).status_code == 405
    conditional = side.http.post("/fhir/Subscription", json=subscription(), headers={"If-None-Exist": "status=active"})
    assert conditional.status_code == 400


def test_a_subscription_survives_the_read_and_write_of_a_client(side):
    id_ = side.make(filters=["Observation?status=final"])
    read = side.read(id_)
    answer = side.http.put(f"/fhir/Subscription/{id_}", json=read | {"status": "requested"})
    assert answer.status_code == 200
    assert answer.json()["_criteria"] == read["_criteria"]
    assert answer.json()["channel"] == read["channel"]
