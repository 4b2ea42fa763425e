"""The limits of a real service, wired as it ships: whatever stands between, the answer has the shape of its side."""

import time

import fhir.resources.R4B.operationoutcome
import pytest
import requests

from tests.limits.served import connected, received, trickled
from tests.live import live_service

A_MINUTE = 60


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    settings = {
        "CLOSURE_READINGS_BODY_SECONDS": "1",
        "CLOSURE_READINGS_HEADER_SECONDS": "1",
        "CLOSURE_READINGS_REQUESTS_PER_MINUTE": str(A_MINUTE),
    }
    with live_service(tmp_path_factory.mktemp("limited"), **settings) as service:
        yield service


def in_shape(path, content_type, body):
    if path.startswith("/fhir"):
        assert content_type.startswith("application/fhir+json")
        fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(body)
    else:
        assert content_type == "application/problem+json"


@pytest.mark.parametrize(
    ("path", "media_type"),
    [
        ("/fhir", "application/fhir+json"),
        ("/fhir/Observation/_search", "application/x-www-form-urlencoded"),
        ("/intake/courses", "application/json"),
        ("/auth/token", "application/x-www-form-urlencoded"),
    ],
)
def test_a_body_that_trickles_in_is_408_whatever_route_reads_it(live, path, media_type):
    port = int(live.base.rpartition(":")[2])
    with connected(port) as connection:
        head = (
            f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: {media_type}\r\nContent-Length: 9999\r\n"
        )
        connection.sendall(head.encode() + b"\r\n")
        assert trickled(connection, b" " * 900, 0.02, 15) < 10
        answer, _, body = received(connection).partition(b"\r\n\r\n")
    lines = answer.decode().lower().split("\r\n")
    assert lines[0].startswith("http/1.1 408")
    assert "connection: close" in lines
    in_shape(path, next(each for each in lines if each.startswith("content-type")).partition(": ")[2], body)


def test_who_asks_too_often_is_429_with_the_time_to_wait_and_then_served(live):
    for path in ("/fhir/Observation", "/intake/due"):
        for _ in range(A_MINUTE + 20):
            answer = requests.get(f"{live.base}{path}", timeout=30)
            if answer.status_code == 429:
                break
        assert answer.status_code == 429
        assert answer.headers["x-request-id"]
        in_shape(path, answer.headers["content-type"], answer.content)
        time.sleep(int(answer.headers["retry-after"]))
        assert requests.get(f"{live.base}{path}", timeout=30).status_code == 200
