"""Rows 6 and 7 and part B, 13: whatever goes wrong, in whichever layer, has one shape, and says nothing of a patient.

Below /fhir an OperationOutcome (http://hl7.org/fhir/R4/operationoutcome.html, checked by fhir.resources), elsewhere a
problem document (RFC 9457). The invented people below must occur in no refusal and in no log.
"""

import contextlib
import logging
import re
import socket
import sqlite3
from dataclasses import replace

import fhir.resources.R4B.operationoutcome
import pytest
from sqlalchemy import Engine, event
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app
from service.api.fault_log import told
from service.config import Settings
from service.store import engines
from tests.intake.documents import NOW, check, course_file, installation
from tests.live import live_service
from tests.signing_in import LOOPBACK

FAMILY, GIVEN, NUMBER, NOTE = "Moen-Tveit", "Ingrid", "AB-771-402", "called her daughter Solveig"
INVENTED = (FAMILY, GIVEN, NUMBER, "Solveig", "1951-04-17")
PATIENT = {
    "identifier": {"system": "https://alder-bay.example/mrn", "value": NUMBER},
    "family": FAMILY,
    "given": [GIVEN],
    "birth_date": "1951-04-17",
}
COURSE = course_file(installation(note=NOTE), check(), patient=PATIENT)
JSON = {"Content-Type": "application/json"}
VERBS = ("GET", "POST", "PUT", "PATCH", "DELETE", "BREW")
HTTP_ONLY = ("httpx", "httpx2", "httpcore", "httpcore2", "asyncio")  # the test client logs the addresses it asks for


@pytest.fixture
def settings(tmp_path):
    return replace(Settings(), database_url=f"sqlite:///{tmp_path}/readings.sqlite3", zone="Europe/Vienna")


@pytest.fixture
def app(settings):
    return create_app(settings, clock=lambda: NOW)


@pytest.fixture
def client(app):
    with TestClient(app, base_url=LOOPBACK, raise_server_exceptions=False) as opened:
        answer = opened.post("/intake/courses", content=strict_json.write(COURSE), headers=JSON)
        assert answer.status_code == 201
        yield opened


@pytest.fixture(autouse=True)
def _logs_tell_nothing(caplog):
    caplog.set_level(logging.DEBUG)
    yield
    for record in caplog.records:
        if not record.name.startswith(HTTP_ONLY):
            text = record.getMessage() + str(record.exc_info or "")
            assert not [name for name in INVENTED if name in text], text
            assert record.exc_info is None or record.levelno < logging.WARNING


def assert_shape(answer, path, *statuses):
    assert answer.status_code in statuses if statuses else answer.status_code >= 400, (path, answer.text)
    assert not [name for name in INVENTED if name in answer.text], (path, answer.text)
    media_type = answer.headers["content-type"].partition(";")[0]
    assert answer.headers["x-request-id"]
    if path == "/fhir" or path.startswith("/fhir/"):
        assert media_type == "application/fhir+json", path
        fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(answer.content)
        assert {issue["severity"] for issue in answer.json()["issue"]} & {"error", "fatal"}
        assert all(issue.get("diagnostics") or issue.get("details") for issue in answer.json()["issue"])
    else:
        assert media_type == "application/problem+json", path
        body = answer.json()
        assert body.keys() == {"type", "title", "status", "detail", "errors"}
        assert body["status"] == answer.status_code
        assert body["detail"]


LOOKED_AT = ("/ward", "/chart/links/", "/chart/courses/")  # by people: what such a route refuses is told as a page


def assert_page(answer, path):
    """A page with a sentence for a person; what no route takes is told as to programs."""
    if answer.headers["content-type"].startswith("application/problem+json"):
        assert_shape(answer, path, 401, 405, 404)
        return
    assert answer.headers["content-type"] == "text/html; charset=utf-8", path
    assert not [name for name in INVENTED if name in answer.text], (path, answer.text)
    assert answer.headers["x-request-id"]
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert re.search(r"<main.*<h1>[^<]+</h1>\s*<p>[^<]+</p>", answer.text, re.DOTALL), path


def route_paths(routes):
    """Every path of the application, also of routers within it, with its variables filled in."""
    for route in routes:
        if isinstance(route, Mount):
            yield from route_paths(route.routes)
        elif isinstance(route, Route):
            yield route.path
        elif inner := getattr(getattr(route, "original_router", None), "routes", None):
            yield from route_paths(inner)


def filled(path):
    for name, value in (("resource_type", "Observation"), ("resource_id", "x"), ("version_id", "1"), ("event_id", "x")):
        path = path.replace(f"{{{name}}}", value)
    while "{" in path:
        path = path[: path.index("{")] + "unknown" + path[path.index("}") + 1 :]
    return path


def test_every_verb_on_every_route_that_does_not_take_it_is_refused_in_shape(app, client):
    paths = sorted({filled(path) for path in route_paths([*app.routes, *app.state.sites.home.app.routes])})
    assert {"/intake/courses", "/fhir/Observation", "/fhir/Observation/x/_history/1", "/"} <= set(paths)
    refused = 0
    for path in paths:
        for verb in VERBS:
            answer = client.request(verb, path)
            if (verb, path) == ("POST", "/auth/token"):
                assert answer.json().keys() == {"error", "error_description"}  # RFC 6749 5.2
            elif answer.status_code >= 400 and path.startswith(LOOKED_AT) and verb in ("GET", "POST"):
                assert_page(answer, path)
            elif answer.status_code >= 400:
                assert_shape(answer, path, *range(400, 500))
                refused += 1
    assert refused > len(paths) * 3


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nowhere", 404),
        ("GET", f"/{FAMILY}/{NUMBER}", 404),
        ("GET", "/fhir/nowhere/a/b/c/d/e", 404),
        ("GET", f"/fhir/Patient/{NUMBER}", 404),
        ("GET", f"/fhir/Observation/{FAMILY}/_history/1", 404),
        ("GET", f"/fhir/{FAMILY}", 404),
        ("GET", "/fhir/Observation/%00", 404),
        ("GET", "/fhir/Observation/..%2f..%2fetc", 404),
        ("GET", f"/fhir/Observation?date={FAMILY}", 400),
        ("GET", f"/fhir/Observation?patient=Device/{NUMBER}", 400),
        ("GET", f"/fhir/Observation?_cursor={NUMBER}", 400),
        ("GET", f"/fhir/Observation?_count={NUMBER}", 400),
        ("GET", f"/fhir/Patient?name:spoon={FAMILY}", 400),
        ("GET", f"/fhir/Observation?_format={FAMILY}", 406),
        ("GET", f"/fhir/Observation?code={'x' * 9000}", 400),
        ("GET", "/fhir/AuditEvent", 403),
        ("GET", f"/intake/courses/{FAMILY}", 404),
        ("GET", f"/intake/courses?state={FAMILY}", 422),
        ("GET", f"/intake/courses?cursor={FAMILY}%20{GIVEN}", 422),
        ("GET", f"/intake/due?within_h={NUMBER}", 422),
        ("GET", f"/intake/plan/sheet?length_mm={NUMBER}", 422),
    ],
)
def test_an_address_or_parameter_that_cannot_be_served(client, method, path, status):
    assert_shape(client.request(method, path), path.partition("?")[0], status)


FHIR_JSON = {"Content-Type": "application/fhir+json"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
SENT_TO = ("/intake/courses", "/intake/courses/alder-1/entries", "/intake/preview", "/intake/plan", "/fhir",
           "/fhir/Patient")  # fmt: skip
BROKEN = {
    "empty": b"",
    "no JSON": b'{"family": "Moen-Tveit", ',
    "not UTF-8": b'{"family": "Ingrid \xff"}',
    "twice": b'{"note": "Solveig", "note": "Ingrid"}',
    "NaN": b'{"value": NaN}',
    "deep": b"[" * 60_000,
    "surrogate": b'{"a": "\\ud800"}',
    "other JSON": b'["Ingrid", "Moen-Tveit"]',
    "number": b"7",
    "null": b"null",
}


@pytest.mark.parametrize("path", SENT_TO)
@pytest.mark.parametrize("body", BROKEN.values(), ids=BROKEN)
def test_a_body_that_cannot_be_read(client, path, body):
    headers = FHIR_JSON if path.startswith("/fhir") else JSON
    assert_shape(client.post(path, content=body, headers=headers), path, 400, 422)


@pytest.mark.parametrize("path", SENT_TO)
def test_a_body_of_another_media_type_or_too_large(client, path):
    assert_shape(client.post(path, content=b"Ingrid", headers={"Content-Type": "text/plain"}), path, 415)
    assert_shape(client.post(path, content=b"Ingrid"), path, 415)
    headers = FHIR_JSON if path.startswith("/fhir") else JSON
    assert_shape(client.post(path, content=b" " * (17 * 1024 * 1024), headers=headers), path, 413)


def test_a_form_of_another_media_type_or_too_large(client):
    path = "/fhir/Observation/_search"
    assert_shape(client.post(path, content=b"{}", headers=JSON), path, 415)
    assert_shape(client.post(path, content=b"a=" + b"x" * 70_000, headers=FORM), path, 413)
    assert_shape(client.post(path, content=b"\xff\xfe", headers=FORM), path, 400)


def every_place(value, path=()):
    """Places of a document whose value is a text or a number."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from every_place(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from every_place(inner, (*path, number))
    else:
        yield path


def with_value(document, path, value):
    copied = strict_json.read(strict_json.write(document))
    inner = copied
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return copied


@pytest.mark.parametrize("value", [f"{GIVEN} {FAMILY}", NUMBER, [NOTE], {FAMILY: GIVEN}, "1951-04-17"])
def test_a_name_in_a_place_that_is_no_place_for_it_is_not_repeated(client, value):
    refused = 0
    document = course_file(installation(note=NOTE), check(), course_id="alder-9", patient=PATIENT)
    for path in every_place(document):
        sent = strict_json.write(with_value(document, path, value))
        answer = client.post("/intake/preview", content=sent, headers=JSON)
        if answer.status_code >= 400:
            assert_shape(answer, "/intake/preview", 400, 409, 422)
            refused += 1
    assert refused > 20


def crash(*_arguments, **_named):
    raise RuntimeError(f"{GIVEN} {FAMILY}, {NUMBER}")


ASKED = (
    ("GET", "/fhir/Observation/x"), ("GET", "/fhir/Observation/x/_history"), ("GET", "/fhir/Observation/x/_history/1"),
    ("GET", "/fhir/Observation"), ("POST", "/fhir/Observation/_search"), ("GET", "/intake/courses"),
    ("GET", "/intake/courses/alder-1"), ("GET", "/intake/due"), ("GET", "/"), ("POST", "/intake/courses"),
    ("POST", "/intake/courses/alder-1/entries"), ("POST", "/intake/preview"),
)  # fmt: skip


def ask(client, method, path):
    if method == "GET":
        return client.get(path)
    if path.endswith("_search"):
        return client.post(path, data={"_count": "1"})
    document = check("ch-2") if path.endswith("entries") else COURSE
    return client.post(path, content=strict_json.write(document), headers=JSON)


@pytest.mark.parametrize(("method", "path"), ASKED)
@pytest.mark.parametrize("fault", [crash, lambda *_: {}[NUMBER], lambda *_: 1 // 0], ids=["runtime", "key", "zero"])
def test_a_crash_below_a_route_is_500_in_shape_and_its_text_is_nowhere(
    client, monkeypatch, caplog, method, path, fault
):
    with monkeypatch.context() as broken:
        broken.setattr("service.store.store.Store.read", fault)
        broken.setattr("service.store.store.Store.write", fault)
        caplog.clear()
        assert_shape(ask(client, method, path), path, 500)
        told_of = [record.getMessage() for record in caplog.records if record.name == "service.api.fault_log"]
        assert len(told_of) == 1
        assert "answered 500" in told_of[0]
        assert "api/" in told_of[0]  # where it happened


def test_a_refusal_that_the_client_may_mend_is_not_logged_as_a_fault(client, caplog):
    caplog.clear()
    client.get("/fhir/Observation/unknown")
    client.post("/intake/courses", content=b"{}", headers=JSON)
    assert [record for record in caplog.records if record.levelno >= logging.WARNING] == []


def test_a_logged_fault_names_types_and_places_but_no_text():
    outer, inner = KeyError(NUMBER), RuntimeError(f"{GIVEN} {FAMILY}")
    outer.__cause__ = inner
    assert told(outer) == "KeyError from RuntimeError at no place of this service"


@pytest.mark.parametrize(("method", "path"), [each for each in ASKED if each[0] == "POST" and "_s" not in each[1]][:2])
def test_a_locked_database_is_503_in_shape(settings, monkeypatch, method, path):
    monkeypatch.setattr(engines, "BUSY_TIMEOUT_S", 0.1)
    client = TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False)
    other = sqlite3.connect(settings.database_url.removeprefix("sqlite:///"), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        answer = ask(client, method, path)
    finally:
        other.rollback()
        other.close()
    assert_shape(answer, path, 503)
    assert ask(client, "POST", "/intake/courses").status_code == 201


def test_a_full_disk_is_503_in_shape_and_nothing_is_half_stored(settings):
    create_app(settings, clock=lambda: NOW)
    file = settings.database_url.removeprefix("sqlite:///")
    with contextlib.closing(sqlite3.connect(file)) as database:
        pages = database.execute("PRAGMA page_count").fetchone()[0]

    def no_more_room(connection, _record):
        connection.execute(f"PRAGMA max_page_count={pages}")

    event.listen(Engine, "connect", no_more_room)
    try:
        client = TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False)
        assert_shape(ask(client, "POST", "/intake/courses"), "/intake/courses", 503)
        assert client.get("/intake/courses").json()["courses"] == []
    finally:
        event.remove(Engine, "connect", no_more_room)


@pytest.mark.parametrize(("method", "path"), [each for each in ASKED if each[0] == "GET"])
def test_a_database_that_is_gone_is_503_in_shape(settings, tmp_path, method, path):
    client = TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False)
    for file in tmp_path.glob("readings.sqlite3*"):
        file.unlink()
    (tmp_path / "readings.sqlite3").mkdir()
    assert_shape(client.request(method, path), path, 503)
    assert_shape(client.get("/health"), "/health", 503)


def test_a_database_that_is_none_is_500_in_shape(settings, tmp_path):
    client = TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False)
    for file in tmp_path.glob("readings.sqlite3*"):
        file.unlink()
    (tmp_path / "readings.sqlite3").write_bytes(b"Ingrid Moen-Tveit " * 500)
    assert_shape(client.get("/fhir/Observation"), "/fhir/Observation", 500)
    assert_shape(client.get("/intake/courses"), "/intake/courses", 500)


NONSENSE = {
    "no request": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    "no version": b"GET /fhir/Observation\r\n\r\n",
    "another protocol": b"GET /fhir/Observation GOPHER/9\r\nHost: x\r\n\r\n",
    "no host": b"GET /fhir/Observation HTTP/1.1\r\n\r\n",
    "header without a colon": b"GET /fhir/Patient?name=Ingrid HTTP/1.1\r\nHost: x\r\nnonsense\r\n\r\n",
    "two lengths": b"POST /intake/courses HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
    "negative length": b"POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nContent-Length: -5\r\n\r\n",
    "bad chunk": b"POST /intake/courses HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
    b"Transfer-Encoding: chunked\r\n\r\nZZ\r\nIngrid\r\n",
    "header too large": b"GET /fhir/Observation HTTP/1.1\r\nHost: x\r\nX: " + b"a" * 200_000 + b"\r\n\r\n",
    "address too large": b"GET /fhir/Observation?code=" + b"a" * 200_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
    "space in the address": b"GET /fhir/Patient?name=Ingrid Moen HTTP/1.1\r\nHost: x\r\n\r\n",
    "NUL in a header": b"GET /fhir/Patient HTTP/1.1\r\nHost: x\r\nX: a\x00b\r\n\r\n",
}


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    folder = tmp_path_factory.mktemp("live")
    with live_service(folder) as service:
        yield service, folder


def spoken(base, sent):
    """What a server answers to raw bytes."""
    host, _, port = base.removeprefix("http://").partition(":")
    received = b""
    with socket.create_connection((host, int(port)), timeout=10) as connection:
        with contextlib.suppress(ConnectionError):
            connection.sendall(sent)
        with contextlib.suppress(ConnectionError):
            while part := connection.recv(65536):
                received += part
    return received


@pytest.mark.parametrize("sent", NONSENSE.values(), ids=NONSENSE)
def test_what_is_no_http_is_answered_in_shape_and_the_service_goes_on(live, sent):
    service, _ = live
    received = spoken(service.base, sent)
    assert received, "an answer, not silence"
    head, _, body = received.partition(b"\r\n\r\n")
    assert int(head.split()[1]) in (400, 431)
    answer = strict_json.read(body)
    below_fhir = sent.split(b" ")[1:2] and sent.split(b" ")[1].startswith(b"/fhir")
    if below_fhir:
        assert b"content-type: application/fhir+json" in head.lower()
        fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(body)
    else:
        assert b"content-type: application/problem+json" in head.lower()
        assert answer["status"] in (400, 431)
    assert not [name for name in INVENTED if name.encode() in body]
    assert spoken(service.base, b"GET /health HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n").split()[1] == b"204"


def test_the_log_of_a_server_names_nobody(live):
    service, folder = live
    for sent in (
        b"GET /fhir/Patient?name=Ingrid HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n",
        b"GET /fhir/Patient/AB-771-402 HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n",
        *NONSENSE.values(),
    ):
        spoken(service.base, sent)
    log = (folder / "serve.log").read_text("utf-8", errors="replace")
    assert "Traceback" not in log
    assert not [name for name in INVENTED if name in log]
