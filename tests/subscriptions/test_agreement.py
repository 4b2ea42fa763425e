"""What a client may ask for; everything else is refused with its reason and place."""

import pytest

from service.subscriptions.agreement import NotAgreed, Terms, agreed
from service.subscriptions.endpoints import Endpoints, endpoints_from
from service.subscriptions.topics import TOPICS as TOPICS_FILE
from service.subscriptions.topics import capability_of, read_vocabulary
from service.terminology import load
from service.terminology.tables import TerminologyFault, folder_of_tables
from tests.subscriptions.conftest import BASE, ENDPOINT, HOST, START, TOPICS, extension, subscription

VOCABULARY = read_vocabulary(load())
TERMS = Terms(VOCABULARY, Endpoints(frozenset({HOST, "127.0.0.1:9000"})), BASE)


def refusal(resource):
    with pytest.raises(NotAgreed) as refused:
        agreed(resource, TERMS, START)
    return [(issue.expression, issue.diagnostics) for issue in refused.value.issues]


def test_what_is_left_open_has_a_default():
    found = agreed(subscription(), TERMS, START)
    assert (found.heartbeat_s, found.timeout_s, found.most_events, found.end, found.headers) == (
        None,
        15,
        20,
        None,
        None,
    )
    assert found.topic.canonical == f"{TOPICS}/check-charted"


def test_everything_that_is_offered_is_taken_over():
    channel = [
        extension("backport-heartbeat-period", valueUnsignedInt=3600),
        extension("backport-timeout", valueUnsignedInt=30),
        extension("backport-max-count", valuePositiveInt=5),
    ]
    headers = ["Authorization: Bearer secret", "X-Ward:7"]
    wanted = subscription(extension=channel, header=headers, end="2026-04-01T00:00:00+02:00", filters=["status=final"])
    found = agreed(wanted, TERMS, START)
    assert (found.heartbeat_s, found.timeout_s, found.most_events) == (3600, 30, 5)
    assert found.headers == (("Authorization", "Bearer secret"), ("X-Ward", "7"))
    assert "header" not in found.body["channel"]
    assert list(found.focus["conditions"]) == [("status", ["final"])]


@pytest.mark.parametrize("written", ["p1", "Patient/p1", f"{BASE}/Patient/p1"])
def test_a_patient_may_be_written_in_each_way_of_a_search(written):
    found = agreed(subscription(filters=[f"Observation?patient={written}"]), TERMS, START)
    assert found.focus["conditions"] == [("subject", ["Patient/p1"])]


@pytest.mark.parametrize(
    ("changes", "place", "why"),
    [
        ({"topic": "nothing"}, "criteria", "no topic of this service"),
        ({"criteria": "Observation?code=x"}, "criteria", "no topic of this service"),
        ({"filters": ["value-quantity=gt5"]}, "criteria.extension", "narrowed down by patient, status"),
        ({"filters": ["status:not=final"]}, "criteria.extension", "narrowed down by"),
        ({"filters": ["Flag?status=active"]}, "criteria.extension", "are of Observation"),
        ({"filters": ["status="]}, "criteria.extension", "needs a value"),
        ({"filters": ["final"]}, "criteria.extension", "narrowed down by"),
        ({"type": "websocket"}, "channel.type", "only channel offered is rest-hook"),
        ({"type": "email"}, "channel.type", "only channel offered is rest-hook"),
        ({"payload": "application/fhir+xml"}, "channel.payload", "only payload offered"),
        ({"content": "everything"}, "channel.payload.extension", "exactly one content"),
        ({"endpoint": "https://elsewhere.example/x"}, "channel.endpoint", "does not allow"),
        ({"endpoint": f"https://{HOST}:8443/x"}, "channel.endpoint", "does not allow"),
        ({"endpoint": f"http://{HOST}/x"}, "channel.endpoint", "must be a URL of https"),
        ({"endpoint": f"https://user:secret@{HOST}/x"}, "channel.endpoint", "neither a sign-in"),
        ({"endpoint": f"ftp://{HOST}/x"}, "channel.endpoint", "must be a URL of https"),
        ({"header": ["Host: elsewhere.example"]}, "channel.header", "belongs to the transport"),
        ({"header": ["no colon"]}, "channel.header", "a name, a colon and a value"),
        ({"header": ["X: a\u00e9"]}, "channel.header", "a name, a colon and a value"),
        ({"header": [f"X-{number}: y" for number in range(11)]}, "channel.header", "at most 10"),
        ({"status": "error"}, "status", "said by the server"),
        ({"end": "2026-03-09T12:00:00Z"}, "end", "past"),
        ({"extension": [extension("backport-timeout", valueUnsignedInt=61)]}, "channel.extension", "from 1 to 60"),
        ({"extension": [extension("backport-heartbeat-period", valueUnsignedInt=1)]}, "channel.extension", "from 60"),
        ({"extension": [extension("backport-max-count", valuePositiveInt=1000)]}, "channel.extension", "to 100"),
    ],
)
def test_what_is_not_offered_is_refused_at_its_place(changes, place, why):
    found = refusal(subscription(**changes))
    assert [said for said in found if said[0] == f"Subscription.{place}" and why in said[1]], found


def test_a_channel_of_another_kind_by_extension_is_refused():
    other = {
        "extension": [extension("backport-channel-type", valueCoding={"system": "https://x.example", "code": "y"})]
    }
    wanted = subscription()
    wanted["channel"]["_type"] = other
    assert refusal(wanted) == [("Subscription.channel.type", "the only channel offered is rest-hook")]


def test_a_content_that_is_not_said_is_refused():
    wanted = subscription()
    del wanted["channel"]["_payload"]
    assert refusal(wanted)[0][0] == "Subscription.channel.payload.extension"


def test_every_fault_is_told_at_once():
    wanted = subscription(topic="nothing", type="sms", endpoint="https://elsewhere.example/x", payload="text/plain")
    assert {place for place, _ in refusal(wanted)} == {
        f"Subscription.{each}" for each in ("criteria", "channel.type", "channel.endpoint", "channel.payload")
    }


def test_what_is_no_subscription_of_r4_is_refused_by_the_validator():
    wanted = subscription()
    del wanted["reason"]
    assert refusal(wanted)


def test_a_loopback_endpoint_needs_no_tls_but_the_operators_word():
    assert (
        agreed(subscription(endpoint="http://127.0.0.1:9000/in"), TERMS, START).endpoint == "http://127.0.0.1:9000/in"
    )
    assert refusal(subscription(endpoint="http://127.0.0.1:9001/in"))


def test_nothing_is_allowed_until_the_operator_names_a_host():
    assert endpoints_from({}).fault(ENDPOINT)
    named = endpoints_from({"CLOSURE_READINGS_SUBSCRIPTION_HOSTS": f"{HOST}, other.example:8443"})
    assert named.fault(ENDPOINT) is None
    assert named.fault("https://other.example:8443/x") is None
    with pytest.raises(ValueError, match="no host name"):
        endpoints_from({"CLOSURE_READINGS_SUBSCRIPTION_HOSTS": "https://x.example"})


def test_the_capability_row_tells_topics_operations_and_interactions():
    row = capability_of(VOCABULARY)
    assert [each["valueCanonical"] for each in row["extension"]] == list(VOCABULARY.topics)
    assert {each["name"] for each in row["operation"]} == {"status", "events"}
    assert {each["code"] for each in row["interaction"]} == {"create", "read", "update", "delete", "search-type"}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("x,X,about,Nothing,,status:status", "is no resource type"),
        ("x,X,about,Flag,nothing,status:status", "no concept"),
        ("x,X,about,Flag,,status", "name:element"),
        ("alert,X,about,Flag,,status:status", "a second row of alert"),
    ],
)
def test_a_faulty_topic_is_refused_by_file_and_row(tmp_path, line, why):
    for name in (TOPICS_FILE, "subscriptions.csv"):
        (tmp_path / name).write_text((folder_of_tables() / name).read_text("utf-8"), "utf-8")
    with (tmp_path / TOPICS_FILE).open("a") as table:
        table.write(f"{line}\n")
    with pytest.raises(TerminologyFault, match=why):
        read_vocabulary(load(), tmp_path)
