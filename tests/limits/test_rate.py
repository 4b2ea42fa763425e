"""How often a client may ask (RFC 6585 section 4; RFC 9110 10.2.3 for Retry-After), on a clock that does not wait."""

import fhir.resources.R4B.operationoutcome
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.testclient import TestClient

from service import counting
from service.api.limits import Limits, limits_from
from service.api.rate import AddressRate, Buckets, ClientRate, address_of


class Ticks:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def ticks():
    return Ticks()


async def who_signs_in_with_good(scope, receive, send):
    """An application whose door knows the token `good`, and the clients that `X-Client` names."""
    headers = dict(scope["headers"])
    if headers.get(b"authorization") == b"Bearer good":
        scope.setdefault("state", {})["audited_client"] = headers.get(b"x-client", b"c-1").decode()
    status = 200 if scope.get("state", {}).get("audited_client") or b"authorization" not in headers else 401
    await PlainTextResponse("served", status)(scope, receive, send)


def client_of(app, address="192.0.2.7"):
    return TestClient(app, client=(address, 50000))


@pytest.fixture
def front(ticks):
    limits = Limits(requests_per_minute=6, token_requests_per_minute=2)
    return AddressRate(who_signs_in_with_good, limits, ticks)


@pytest.mark.parametrize(("per_minute", "wait_s"), [(1, 60), (6, 10), (7, 9), (60, 1), (6000, 1)])
def test_a_minutes_worth_is_granted_then_the_wait_is_told_in_whole_seconds(ticks, per_minute, wait_s):
    buckets = Buckets(per_minute, ticks)
    assert [buckets.take("a") for _ in range(per_minute)] == [0] * per_minute
    assert buckets.take("a") == wait_s  # 60 s by the number a minute, rounded up
    ticks.now += wait_s - 0.001 if per_minute == 1 else 0
    assert buckets.take("a") > 0
    ticks.now += wait_s
    assert buckets.take("a") == 0


@given(
    per_minute=st.integers(1, 50),
    pauses=st.lists(st.floats(0, 40, allow_nan=False), min_size=1, max_size=200),
)
def test_no_span_of_time_holds_more_than_a_bucket_and_what_flowed_in(per_minute, pauses):
    ticks = Ticks()
    buckets, granted = Buckets(per_minute, ticks), []
    for pause in pauses:
        ticks.now += pause
        if buckets.take("a") == 0:
            granted.append(ticks.now)
    for first in range(len(granted)):
        for last in range(first, len(granted)):
            span = granted[last] - granted[first]
            assert last - first + 1 <= per_minute + span * per_minute / 60 + 1e-6


@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0, 5)), max_size=100))
def test_who_waits_as_told_is_served(asks):
    ticks = Ticks()
    buckets = Buckets(5, ticks)
    for key, pause in asks:
        ticks.now += pause
        if wait_s := buckets.take(key):
            ticks.now += wait_s
            assert buckets.take(key) == 0


def test_the_memory_of_buckets_is_bounded_and_the_longest_unused_is_given_up(ticks):
    buckets = Buckets(1, ticks, most=100)
    for number in range(1000):
        buckets.take(f"a-{number}")
    assert len(buckets) == 100
    assert buckets.take("a-999") > 0  # still known
    assert buckets.take("a-1") == 0  # given up


def test_zero_is_no_limit(ticks):
    buckets = Buckets(0, ticks)
    assert {buckets.take("a") for _ in range(10_000)} == {0}
    assert len(buckets) == 0


@pytest.mark.parametrize("path", ["/fhir", "/fhir/Observation?code=1", "/intake/due", "/", "/fhirst", "/auth/token"])
def test_too_many_requests_are_429_in_the_shape_of_their_side(front, path):
    before = sum(counting.counted("refusals").values())
    client = client_of(front)
    answers = [client.get(path) for _ in range(7)]
    answer = answers[-1]
    assert answer.status_code == 429
    assert answer.headers["retry-after"] in ("10", "30")
    if path == "/fhir" or path.startswith("/fhir/"):
        assert answer.headers["content-type"].startswith("application/fhir+json")
        outcome = fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(answer.content)
        assert outcome.issue[0].code == "throttled"
    else:
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == 429
    assert sum(counting.counted("refusals").values()) > before


def test_one_address_does_not_pay_for_another(front):
    for _ in range(7):
        client_of(front).get("/")
    assert client_of(front).get("/").status_code == 429
    assert client_of(front, "192.0.2.8").get("/").status_code == 200


def test_addresses_of_one_ipv6_network_are_one_client(front):
    for number in range(6):
        assert client_of(front, f"2001:db8:0:1::{number}").get("/").status_code == 200
    assert client_of(front, "2001:db8:0:1:ffff::1").get("/").status_code == 429
    assert client_of(front, "2001:db8:0:2::1").get("/").status_code == 200
    assert address_of({"client": ("::ffff:192.0.2.7", 1)}) == address_of({"client": ("192.0.2.7", 1)})


def test_who_is_signed_in_does_not_pay_at_the_address(front):
    client = client_of(front)
    assert {client.get("/", headers={"Authorization": "Bearer good"}).status_code for _ in range(50)} == {200}


def test_guessing_tokens_ends_soon_and_asking_without_one_shuts_nobody_out(front):
    client = client_of(front)
    for _ in range(20):
        client.get("/")
    assert client.get("/").status_code == 429
    assert client.get("/", headers={"Authorization": "Bearer good"}).status_code == 200
    guessed = [client.get("/", headers={"Authorization": f"Bearer {n}"}).status_code for n in range(8)]
    assert guessed == [401] * 6 + [429] * 2


def test_tokens_are_asked_for_more_rarely(front, ticks):
    client = client_of(front)
    assert [client.post("/auth/token").status_code for _ in range(3)] == [200, 200, 429]
    assert client.get("/").status_code == 200
    ticks.now += 30
    assert client.post("/auth/token").status_code == 200


def test_a_client_has_one_bucket_and_no_other_pays_for_it(ticks):
    rate = ClientRate(Limits(requests_per_minute=3), ticks)
    for _ in range(3):
        rate.require("c-1")
    with pytest.raises(HTTPException) as refusal:
        rate.require("c-1")
    assert (refusal.value.status_code, refusal.value.headers) == (429, {"Retry-After": "20"})
    rate.require("c-2")
    ticks.now += 20
    rate.require("c-1")


def test_limits_are_read_from_the_environment():
    given_ = {"CLOSURE_READINGS_REQUESTS_PER_MINUTE": "0", "CLOSURE_READINGS_METRICS_READERS": "10.0.0.1, 10.0.0.2"}
    found = limits_from(given_)
    assert (found.requests_per_minute, found.metrics_readers) == (0, {"10.0.0.1", "10.0.0.2"})
    assert limits_from({}) == Limits()


@pytest.mark.parametrize("text", ["-1", "1.5", "many", "1000001", "１"])
def test_a_limit_that_cannot_be_used_is_refused_by_name(text):
    with pytest.raises(ValueError, match="CLOSURE_READINGS_REQUESTS_PER_MINUTE is a whole number from 0 to 1000000"):
        limits_from({"CLOSURE_READINGS_REQUESTS_PER_MINUTE": text})
