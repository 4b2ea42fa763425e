"""SIGTERM: what is under way comes to its end, what waits for a request does not hold the end up."""

import signal
import socket
import time

import pytest

from service import strict_json
from tests.intake.documents import course_file, installation
from tests.limits.served import received
from tests.live import start_service


@pytest.fixture
def live(tmp_path):
    service = start_service(tmp_path, CLOSURE_READINGS_STOP_WITHIN_SECONDS="2")
    yield service
    service.process.kill()
    service.process.wait(timeout=20)


def connected(live):
    host, _, port = live.base.removeprefix("http://").partition(":")
    return socket.create_connection((host, int(port)), timeout=20)


def begun(connection, body):
    """Send a request up to the middle of its body, and wait until the service looks at it."""
    head = b"POST /intake/courses HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    connection.sendall(head + b"Content-Length: %d\r\n\r\n" % len(body) + body[: len(body) // 2])
    time.sleep(0.3)


def test_a_request_under_way_is_answered_and_stored_before_the_end(live):
    body = strict_json.write(course_file(installation()))
    with connected(live) as connection, connected(live) as idle:
        begun(connection, body)
        live.process.send_signal(signal.SIGTERM)
        assert received(idle) == b""  # closed at once
        connection.sendall(body[len(body) // 2 :])
        assert received(connection).startswith(b"HTTP/1.1 201")
    live.process.wait(timeout=20)


def test_a_request_that_does_not_end_is_given_up_after_the_time_set(live):
    body = strict_json.write(course_file(installation()))
    with connected(live) as connection:
        begun(connection, body)
        began = time.monotonic()
        live.process.send_signal(signal.SIGTERM)
        live.process.wait(timeout=20)
        assert 1.5 < time.monotonic() - began < 15
        assert b" 201 " not in received(connection)
