"""Requests as bytes, against a real server: forms that a client library would not send. RFC 9112, RFC 9110, RFC 6750.

Each is sent without a token, and shown to be understood, or not, by sending it with one.
"""

import re
import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import pytest
import requests

from service.config import Settings
from tests.isolation.installations import documents
from tests.live import live_service
from tests.signing_in import signed_in

DEADLINE_S = 5
HUGE = "x" * 9000


class Ward(NamedTuple):
    """Where the service listens, a good token's header, and a text that only the patient's data holds."""

    port: int
    token: str
    secret: bytes
    patient: str


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    folder: Path = tmp_path_factory.mktemp("bytes")
    url = f"sqlite:///{folder}/live.sqlite3"
    header = signed_in(Settings(database_url=url), datetime.now(UTC))
    with live_service(folder, database_url=url) as live:
        told = header | {"Content-Type": "application/json"}
        assert requests.post(f"{live.base}/intake/courses", documents("01")[0], headers=told, timeout=10).ok
        patient = requests.get(f"{live.base}/fhir/Patient", headers=header, timeout=10).json()["entry"][0]["resource"]
        port = int(live.base.rsplit(":", 1)[1])
        yield Ward(port, header["Authorization"], patient["name"][0]["family"].encode(), patient["id"])


def sent(port: int, request: str) -> bytes:
    """Everything that comes back until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S) as connection:
        connection.sendall(request.encode("latin-1"))
        answer = b""
        while piece := connection.recv(65_536):
            answer += piece
    return answer


def statuses(answer: bytes) -> list[int]:
    """Of every answer in it: one connection may carry several."""
    return [int(found) for found in re.findall(rb"HTTP/1\.1 (\d{3}) ", answer)]


CLOSE = "Connection: close\r\n"
PLAIN = "GET /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\n{token}" + CLOSE + "\r\n"
# Name: the request, and the status of the same with a good token.
FORMS = {
    "as it should be": (PLAIN, 200),
    "HTTP/1.0 without Host": ("GET /fhir/Patient HTTP/1.0\r\n{token}\r\n", 200),
    "absolute form": (PLAIN.replace("/fhir/", "http://127.0.0.1/fhir/"), 404),
    "absolute form of another host": (PLAIN.replace("/fhir/", "http://metadata.example/fhir/"), 404),
    "absolute form that ends open": (PLAIN.replace("/fhir/Patient", "http://h/fhir/Patient?/fhir/metadata"), 404),
    "no slash before the path": (PLAIN.replace("/fhir/", "fhir/"), 404),
    "two slashes": (PLAIN.replace("/fhir/", "//fhir/"), 404),
    "a fragment": (PLAIN.replace("/Patient", "/Patient#/../metadata"), 404),
    "up and down again": (PLAIN.replace("/fhir/Patient", "/fhir/metadata/../Patient"), 404),
    "an encoded letter": (PLAIN.replace("Patient", "%50atient"), 200),
    "an encoded slash": (PLAIN.replace("/Patient", "%2FPatient"), 200),
    "a slash encoded twice": (PLAIN.replace("/Patient", "%252FPatient"), 404),
    "an open path in the query": (PLAIN.replace("Patient", "Patient?/fhir/metadata"), 200),
    "other letters of the prefix": (PLAIN.replace("/fhir/", "/FHIR/"), 404),
    "a method in small letters": (PLAIN.replace("GET", "get"), 405),
    "Host with a path": (PLAIN.replace("127.0.0.1", "127.0.0.1/fhir/metadata?"), 200),
    "Host with a question mark": (PLAIN.replace("127.0.0.1", "127.0.0.1/?"), 200),
    "Host with a fragment": (PLAIN.replace("127.0.0.1", "127.0.0.1#"), 200),
    "Host with a user": (PLAIN.replace("127.0.0.1", "a@127.0.0.1"), 200),
    "two Hosts": (PLAIN.replace("Host", "Host: a.example\r\nHost"), 400),
    "no Host": (PLAIN.replace("Host: 127.0.0.1\r\n", ""), 400),
    "a blank before the colon": (PLAIN.replace("{token}", "X-A : b\r\n{token}"), 400),
    "a folded header": (PLAIN.replace("{token}", "X-A: b\r\n c\r\n{token}"), 200),
    "two lengths": (PLAIN.replace("{token}", "Content-Length: 0\r\nContent-Length: 5\r\n{token}"), 400),
    "a GET with chunks": (PLAIN.replace("{token}", "Transfer-Encoding: chunked\r\n{token}") + "0\r\n\r\n", 200),
    "an unknown coding": (PLAIN.replace("{token}", "Transfer-Encoding: xchunked\r\n{token}"), 400),
    "an upgrade": (PLAIN.replace(CLOSE, "Connection: close, Upgrade\r\nUpgrade: h2c\r\n"), 200),
    "a range": (PLAIN.replace("{token}", "Range: bytes=0-99\r\n{token}"), 200),
}


@pytest.mark.parametrize("name", FORMS)
def test_an_odd_request_without_a_token_tells_nothing_of_anybody(ward, name):
    request, with_token = FORMS[name]
    answer = sent(ward.port, request.format(token=""))
    assert ward.secret not in answer
    assert ward.patient.encode() not in answer
    assert all(status in (400, 401, 404) for status in statuses(answer)), answer
    known = sent(ward.port, request.format(token=f"Authorization: {ward.token}\r\n"))
    assert statuses(known) == [with_token], known
    assert (ward.secret in known) == (with_token == 200)


def authorization(ward: Ward) -> dict[str, str]:
    """Headers that hold a good token and are none that may be taken."""
    good, token = ward.token, ward.token.removeprefix("Bearer ")
    return {
        "twice": f"Authorization: {good}\r\nAuthorization: {good}\r\n",
        "the good one second": f"Authorization: Bearer x\r\nAuthorization: {good}\r\n",
        "the good one first": f"Authorization: {good}\r\nauthorization: Basic eA==\r\n",
        "two in a list": f"Authorization: {good}, {good}\r\n",
        "another scheme": f"Authorization: Basic {token}\r\n",
        "no scheme": f"Authorization: {token}\r\n",
        "quoted": f'Authorization: Bearer "{token}"\r\n',
        "followed by more": f"Authorization: {good} x\r\n",
        "folded apart": f"Authorization: Bearer\r\n {token[:9]}\r\n {token[9:]}\r\n",
        "cut short": f"Authorization: {good[:-1]}\r\n",
        "in other letters": f"Authorization: Bearer {token.swapcase()}\r\n",
        "huge": f"Authorization: {good}{HUGE}\r\n",
        "huge with blanks": f"Authorization: Bearer{' ' * 9000}{token}{HUGE}\r\n",
        "with a null byte": f"Authorization: {good}\x00\r\n",
        "of a proxy": f"Proxy-Authorization: {good}\r\n",
        "forwarded": f"X-Forwarded-Authorization: {good}\r\n",
        "as a cookie": f"Cookie: Authorization={token}\r\n",
    }


def test_a_good_token_in_a_header_that_is_not_as_it_should_be_opens_nothing(ward):
    for name, header in authorization(ward).items():
        answer = sent(ward.port, PLAIN.format(token=header))
        assert statuses(answer)[0] in (400, 401), (name, answer[:200])
        assert ward.secret not in answer, name


def test_headers_beyond_any_measure_are_refused_before_they_are_looked_at(ward):
    answer = sent(ward.port, PLAIN.format(token=f"Authorization: {ward.token}{'x' * 200_000}\r\n"))
    assert statuses(answer)[:1] in ([431], [400])
    assert ward.secret not in answer


def test_a_token_in_the_trailer_of_a_body_is_not_a_token(ward):
    request = (
        "POST /fhir/Patient/_search HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nTrailer: Authorization\r\n{head}" + CLOSE + "\r\n"
        "1\r\na\r\n0\r\n{trailer}\r\n"
    )
    header = f"Authorization: {ward.token}\r\n"
    assert statuses(sent(ward.port, request.format(head="", trailer=header))) == [401]
    assert statuses(sent(ward.port, request.format(head=header, trailer=""))) == [200]


def test_a_second_request_in_the_body_of_the_first_is_a_request_of_its_own_or_none(ward):
    """Both lengths at once: whoever reads the other one would take the token of the first for the second."""
    inner = "GET /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    for lengths in (
        f"Content-Length: {len(inner)}\r\n",
        f"Content-Length: {len(inner)}\r\nTransfer-Encoding: chunked\r\n",
        f"Transfer-Encoding: chunked\r\nContent-Length: {len(inner)}\r\n",
        f"Transfer-Encoding: identity, chunked\r\nContent-Length: {len(inner)}\r\n",
    ):
        head = f"GET /fhir/metadata HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: {ward.token}\r\n{lengths}{CLOSE}\r\n"
        answer = sent(ward.port, head + inner)
        assert ward.secret not in answer
        assert len(statuses(answer)) <= 2


def test_the_token_of_one_request_is_not_that_of_the_next_on_the_connection(ward):
    first = f"GET /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: {ward.token}\r\n\r\n"
    answer = sent(ward.port, first + PLAIN.format(token=""))
    assert statuses(answer) == [200, 401]
