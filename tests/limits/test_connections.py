"""Clients that are slow, silent, many, or talk nonsense, over real sockets: others are served all the same."""

import socket
import threading
import time
from contextlib import ExitStack

import fhir.resources.R4B.operationoutcome
import pytest
from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, StreamingResponse

from service import counting, strict_json
from service.api.body_time import BodyTime
from service.api.front import WorkerThreads
from service.api.limits import Limits
from service.api.outcomes import refused
from service.api.problems import problem
from tests.limits.served import answered, connected, got_until, received, served, trickled

GET = b"GET %s HTTP/1.1\r\nHost: x\r\n\r\n"
LAST = b"GET %s HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
SHORT = Limits(header_s=0.4, body_s=0.4, answer_stalled_s=0.4, connections=40, worker_threads=3)
MANY = 300


class Busy:
    """How many work at once in threads, and what lets those under way go on."""

    def __init__(self):
        self.lock = threading.Lock()
        self.now = self.most = 0
        self.free = threading.Event()

    def work(self):
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
        self.free.wait(20)
        with self.lock:
            self.now -= 1


def application(busy):
    async def routes(scope, receive, send):
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        match request.url.path.removeprefix("/fhir"):
            case "/body":
                try:
                    answer = PlainTextResponse(f"{len(await request.body())} bytes")
                except HTTPException as fault:
                    side = refused if scope["path"].startswith("/fhir") else problem
                    answer = side(fault.status_code, fault.detail)
                    answer.headers.update(fault.headers)
            case "/held":
                await to_thread.run_sync(busy.work)
                answer = PlainTextResponse("held")
            case "/large":
                answer = StreamingResponse(large())
            case _:
                answer = PlainTextResponse("served")
        await answer(scope, receive, send)

    return WorkerThreads(BodyTime(routes, SHORT.body_s, time.monotonic), SHORT.worker_threads)


async def large():
    for _ in range(2000):
        yield b"x" * 65536


@pytest.fixture(scope="module")
def busy():
    return Busy()


@pytest.fixture(scope="module")
def port(busy):
    with served(application(busy), SHORT) as port:
        yield port


def is_served(port):
    return answered(port, LAST % b"/").endswith(b"served")


def counted_of(reason):
    return counting.counted("refusals").get(reason, 0)


def in_shape(answer, status, below_fhir):
    """The body of an answer that must be a refusal in the shape of its side."""
    head, _, body = answer.partition(b"\r\n\r\n")
    assert int(head.split()[1]) == status
    if below_fhir:
        assert b"content-type: application/fhir+json" in head.lower()
        fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(body)
    else:
        assert b"content-type: application/problem+json" in head.lower()
        assert strict_json.read(body)["status"] == status
    return head.lower()


@pytest.mark.parametrize("path", [b"/fhir/Patient", b"/intake/courses"])
@pytest.mark.parametrize("pause_s", [0.02, 0.1])
def test_a_header_that_trickles_in_is_408_and_closed_in_time(port, path, pause_s):
    before = counted_of("slow-header")
    with connected(port) as connection:
        connection.sendall(b"GET " + path + b" HTTP/1.1\r\n")
        took_s = trickled(connection, b"X-Padding: " + b"a" * 500, pause_s, 10)
        answer = received(connection)
    assert took_s < 5  # bytes go on for longer than that; the time is for the whole header
    in_shape(answer, 408, path.startswith(b"/fhir"))
    assert counted_of("slow-header") == before + 1
    assert is_served(port)


def test_a_header_that_stops_halfway_is_408(port):
    assert b" 408 " in answered(port, b"GET / HTTP/1.1\r\nHost: x\r\n").partition(b"\r\n")[0]


def test_a_connection_on_which_nothing_is_asked_is_closed_without_a_word(port):
    with connected(port) as connection:
        began = time.monotonic()
        assert received(connection) == b""
    assert 0.2 < time.monotonic() - began < 5


def test_the_time_begins_anew_with_each_request_of_a_connection(port):
    with connected(port) as connection:
        for _ in range(8):
            connection.sendall(GET % b"/")
            assert got_until(connection, b"served")
            time.sleep(0.1)


@pytest.mark.parametrize("path", [b"/body", b"/fhir/body"])
@pytest.mark.parametrize(
    "framing", [b"Content-Length: 5000", b"Transfer-Encoding: chunked"], ids=["by length", "in chunks"]
)
def test_a_body_that_trickles_in_is_408_and_closed_in_time(port, path, framing):
    before = counted_of("slow-body")
    with connected(port) as connection:
        connection.sendall(b"POST " + path + b" HTTP/1.1\r\nHost: x\r\n" + framing + b"\r\n\r\n")
        took_s = trickled(connection, b"1\r\nx\r\n" * 500, 0.02, 10)
        head = in_shape(received(connection), 408, path.startswith(b"/fhir"))
    assert took_s < 5
    assert b"connection: close" in head
    assert counted_of("slow-body") == before + 1
    assert is_served(port)


def test_a_body_within_its_time_is_read_whole(port):
    with connected(port) as connection:
        connection.sendall(b"POST /body HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 9\r\n\r\n")
        for byte in b"123456789":
            connection.sendall(bytes([byte]))
            time.sleep(0.01)
        assert received(connection).endswith(b"9 bytes")


def test_a_body_that_nobody_reads_keeps_no_connection(port):
    with connected(port) as connection:
        connection.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n")
        assert got_until(connection, b"served")
        assert trickled(connection, b"x" * 2000, 0.02, 20) < 10


def test_three_hundred_idle_connections_keep_nobody_out():
    limits = Limits(header_s=60, connections=512)
    with served(application(Busy()), limits) as port, ExitStack() as idle:
        began = time.monotonic()
        silent = [idle.enter_context(connected(port)) for _ in range(MANY)]
        for connection in silent[::2]:
            connection.sendall(b"GET / HTTP/1.1\r\nX: ")
        for _ in range(20):
            assert is_served(port)
        assert time.monotonic() - began < 20
        silent[0].sendall(b"y\r\nHost: x\r\nConnection: close\r\n\r\n")  # none of them was cut off for it
        assert received(silent[0]).endswith(b"served")


def test_beyond_the_limit_the_longest_waiting_connection_gives_way(port):
    limits = Limits(header_s=60, connections=20)
    with served(application(Busy()), limits) as port, ExitStack() as idle:
        silent = [idle.enter_context(connected(port)) for _ in range(20)]
        time.sleep(0.2)
        for _ in range(5):
            assert is_served(port)
        assert received(silent[0]) == b""
        silent[-1].sendall(LAST % b"/")
        assert received(silent[-1]).endswith(b"served")


def test_when_every_connection_has_a_request_under_way_a_further_one_is_503():
    busy = Busy()
    before = counted_of("connections")
    with served(application(busy), Limits(connections=8)) as port, ExitStack() as held:
        asking = [held.enter_context(connected(port)) for _ in range(8)]
        for connection in asking:
            connection.sendall(LAST % b"/held")
        time.sleep(0.3)
        head = in_shape(answered(port, LAST % b"/"), 503, below_fhir=False)
        assert b"retry-after: 5" in head
        busy.free.set()
        assert {received(connection)[-4:] for connection in asking} == {b"held"}
        assert is_served(port)
    assert counted_of("connections") == before + 1


def test_no_more_threads_work_at_once_than_allowed(port, busy):
    with ExitStack() as held:
        asking = [held.enter_context(connected(port)) for _ in range(12)]
        for connection in asking:
            connection.sendall(LAST % b"/held")
        time.sleep(0.3)
        assert busy.most == SHORT.worker_threads
        assert is_served(port)  # what needs no thread does not wait for one
        busy.free.set()
        assert {received(connection)[-4:] for connection in asking} == {b"held"}


def test_a_client_that_takes_in_nothing_of_its_answer_is_given_up(port):
    before = counted_of("answer-stalled")
    with connected(port) as connection:
        connection.sendall(GET % b"/large")
        until = time.monotonic() + 10
        while counted_of("answer-stalled") == before and time.monotonic() < until:
            time.sleep(0.05)
    assert counted_of("answer-stalled") == before + 1


def test_a_client_that_is_slow_but_reads_gets_all_of_it(port):
    with connected(port) as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        connection.sendall(LAST % b"/large")
        got = 0
        while part := connection.recv(1 << 20):
            got += len(part)
            if got < 2_000_000:
                time.sleep(0.01)
    assert got > 2000 * 65536


def test_a_client_that_says_it_has_finished_gets_its_answer(port):
    with connected(port) as connection:
        connection.sendall(b"POST /body HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\nabc")
        connection.shutdown(socket.SHUT_WR)
        assert received(connection).endswith(b"3 bytes")


def test_a_client_that_leaves_in_the_middle_is_let_go(port):
    for sent in (b"GET / HT", b"POST /body HTTP/1.1\r\nHost: x\r\nContent-Length: 30\r\n\r\nabc", b""):
        with connected(port) as connection:
            connection.sendall(sent)
            connection.shutdown(socket.SHUT_WR)
            assert b"served" not in received(connection)
    assert is_served(port)


def test_requests_sent_at_once_are_answered_in_their_order(port):
    answer = answered(port, GET % b"/" + b"POST /body HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\n\r\nab" + LAST % b"/")
    assert answer.index(b"served") < answer.index(b"2 bytes") < answer.rindex(b"served")
    assert answer.count(b"HTTP/1.1 200") == 3


def test_garbage_behind_a_request_is_refused_after_its_answer(port):
    answer = answered(port, GET % b"/" + b"\x16\x03\x01 nonsense\r\n\r\n" * 20)
    assert answer.startswith(b"HTTP/1.1 200")
    assert answer.count(b"HTTP/1.1 400") == 1
    assert is_served(port)


def test_garbage_in_place_of_a_body_ends_the_connection(port):
    sent = b"POST /body HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nZZ\r\n" + GET % b"/"
    assert b"served" not in answered(port, sent)
    assert is_served(port)
