"""What is told of a request: its id, its line in the log, its numbers; never its address, query or body."""

import logging
from dataclasses import replace

import pytest
from fastapi import FastAPI
from prometheus_client.parser import text_string_to_metric_families
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.testclient import TestClient

from service import counting
from service.api.front import put_in_front
from service.api.limits import Limits
from service.api.metrics import Metrics, metrics_routes

NAME = "Moen-Tveit"
ID = "north-ward-leg-7"


class Ticks:
    """A clock that goes on when it is told to."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def ticks():
    return Ticks()


@pytest.fixture
def metrics():
    return Metrics("9.8.7", audit_waiting=lambda: 42)


@pytest.fixture
def app(metrics, ticks):
    app = FastAPI(openapi_url=None)
    app.include_router(metrics_routes(metrics, frozenset({"10.1.2.3"})))

    @app.api_route("/courses/{course_id}", methods=["GET", "POST", "BREW"])
    async def read(course_id: str, request: Request):
        ticks.now += 0.25
        request.state.site = "north"
        request.state.audited_client = "client-1"
        match course_id:
            case "broken":
                raise RuntimeError(NAME)
            case "refused":
                raise HTTPException(422, NAME)
        return {"course": course_id, "request_id": request.scope["state"]["request_id"]}

    put_in_front(app, Limits(), metrics, ticks)
    return app


@pytest.fixture
def client(app):
    return TestClient(app, raise_server_exceptions=False)


@pytest.fixture
def lines(caplog):
    caplog.set_level(logging.INFO)
    return lambda: [each for each in caplog.records if each.name == "service.api.observing"]


def samples(text):
    """As the parser of others reads it: name, labels and value."""
    families = text_string_to_metric_families(text)
    return {(each.name, *sorted(each.labels.items())): each.value for family in families for each in family.samples}


def read(metrics):
    return samples(metrics.text().decode())


@pytest.mark.parametrize("given", ["abc-1", "A.b_c-9" * 9, "x" * 64], ids=len)
def test_a_clean_request_id_is_kept(client, given):
    answer = client.get(f"/courses/{ID}", headers={"X-Request-Id": given})
    assert answer.headers["x-request-id"] == given == answer.json()["request_id"]


@pytest.mark.parametrize("given", ["", "a b", "x" * 65, 'a"b', "a\tb", "../x", "Åse".encode()], ids=repr)
def test_another_request_id_is_replaced(client, given):
    answer = client.get(f"/courses/{ID}", headers={"X-Request-Id": given})
    made = answer.headers["x-request-id"]
    assert len(made) == 36
    assert made == answer.json()["request_id"]


def test_two_requests_have_two_ids_also_when_nothing_answers(client):
    assert len({client.get("/nowhere").headers["x-request-id"] for _ in range(5)}) == 5


def test_the_line_of_a_request_tells_route_status_duration_client_and_site(client, lines):
    client.get(f"/courses/{ID}?name={NAME}", headers={"X-Request-Id": "r-1"})
    (line,) = lines()
    assert line.getMessage() == "request"
    told = {name: getattr(line, name) for name in ("method", "route", "status", "duration_ms", "client", "site")}
    assert told == {
        "method": "GET", "route": "/courses/{course_id}", "status": 200, "duration_ms": 250.0,
        "client": "client-1", "site": "north",
    }  # fmt: skip
    assert not hasattr(line, "broken")


def test_no_line_and_no_number_holds_address_query_or_body(client, lines, metrics):
    for path in (f"/courses/{ID}?name={NAME}", f"/{NAME}", "/courses/broken", "/courses/refused"):
        client.post(path, content=NAME)
        client.request("BREW", path)
        client.request(NAME.replace("-", ""), path)
    told = str([line.__dict__ for line in lines()]) + metrics.text().decode()
    assert len(lines()) == 12
    assert NAME not in told
    assert NAME.replace("-", "") not in told
    assert ID not in told


def test_an_unknown_method_is_told_as_another(client, metrics):
    client.request("BREW", f"/courses/{ID}")
    labels = ("method", "other"), ("route", "/courses/{course_id}"), ("status", "200")
    assert read(metrics)["closure_requests_total", *labels] == 1


def test_requests_are_counted_by_route_method_and_status_with_their_durations(client, metrics):
    for _ in range(3):
        client.get(f"/courses/{ID}")
    client.get("/courses/refused")
    client.get("/courses/broken")
    client.get("/nowhere")
    found = read(metrics)
    labels = ("method", "GET"), ("route", "/courses/{course_id}")
    assert found["closure_requests_total", *labels, ("status", "200")] == 3
    assert found["closure_requests_total", *labels, ("status", "422")] == 1
    assert found["closure_requests_total", *labels, ("status", "500")] == 1
    assert found["closure_requests_total", ("method", "GET"), ("route", "none"), ("status", "404")] == 1
    assert found["closure_request_seconds_count", *labels] == 5
    assert found["closure_request_seconds_sum", *labels] == pytest.approx(1.25)
    assert found["closure_request_seconds_bucket", ("le", "0.1"), *labels] == 0
    assert found["closure_request_seconds_bucket", ("le", "0.25"), *labels] == 5
    assert found["closure_requests_in_flight",] == 0
    assert found["closure_audit_events_waiting",] == 42
    assert found["closure_build", ("version", "9.8.7")] == 1


def test_the_number_of_series_does_not_grow_with_what_is_asked(client, metrics):
    client.get("/courses/a")
    client.get("/nowhere/a")
    before = len(read(metrics))
    for number in range(50):
        client.get(f"/courses/c{number}?q={number}")
        client.get(f"/nowhere/{number}")
        client.request(f"VERB{number}", "/nowhere")
    assert len(read(metrics)) <= before + 40  # the other method on an unknown route, once


def test_what_other_layers_counted_is_shown_and_a_refusal_once(client, metrics):
    before = read(metrics)
    counting.count("entries_recorded", amount=7)
    counting.count("database_errors", "StoreBusyError")
    client.get("/courses/refused")
    after = read(metrics)

    def more(*key):
        return after[key] - before.get(key, 0)

    assert more("closure_entries_recorded_total") == 7
    assert more("closure_database_errors_total", ("kind", "StoreBusyError")) == 1
    assert more("closure_refusals_total", ("reason", "not-valid")) == 1
    assert more("closure_resets_marked_overdue_total") == 0


def asked(app, address, headers=None):
    client = TestClient(app, client=(address, 50000), base_url="http://127.0.0.1:8080")
    return client.get("/metrics", headers=headers or {})


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "10.1.2.3"])
def test_loopback_and_the_named_addresses_read_the_numbers(app, address):
    answer = asked(app, address)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert ("closure_build", ("version", "9.8.7")) in samples(answer.text)


@pytest.mark.parametrize(
    ("address", "headers"),
    [
        ("10.9.9.9", {}),
        ("127.0.0.1", {"X-Forwarded-For": "203.0.113.9"}),
        ("127.0.0.1", {"Forwarded": "for=203.0.113.9"}),
        ("127.0.0.1", {"Via": "1.1 terminator"}),
        ("127.0.0.1", {"Host": "readings.hospital.example"}),
    ],
    ids=["another address", "passed on", "passed on by the standard's name", "passed on by a proxy", "another name"],
)
def test_for_everybody_else_there_are_no_numbers(app, address, headers):
    answer = asked(app, address, headers)
    assert answer.status_code == 404
    assert "closure_" not in answer.text


def test_an_answer_that_breaks_off_is_told_as_broken(metrics, ticks, lines):
    app = FastAPI(openapi_url=None)

    class Breaks:
        def __init__(self, app):
            self._app = app

        async def __call__(self, scope, receive, send):
            if scope["type"] == "http":
                await send({"type": "http.response.start", "status": 200, "headers": []})
                raise ConnectionAbortedError("the answer broke off")

    app.add_middleware(Breaks)
    put_in_front(app, replace(Limits(), requests_per_minute=0), metrics, ticks)
    with pytest.raises(ConnectionAbortedError):
        TestClient(app).get("/")
    assert lines()[0].broken is True
    assert read(metrics)["closure_requests_in_flight",] == 0
