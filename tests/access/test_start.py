"""Real `serve` processes: when they start, what they answer to whom, and what the command line changes meanwhile.

What is open and what is refused: docs/access.md, Open or not.
"""

import contextlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from tests.access.key_server import key_server
from tests.access.sender import assertion, both_keys, claims, ec_jwk, ec_key, form, header, key_set
from tests.isolation.installations import documents
from tests.live import Live, add_client, command, free_port, live_service, start_service

SCOPE = "system/*.rs intake:read intake:write"
JSON = {"Content-Type": "application/json"}
DEADLINE_S = 15


@pytest.fixture
def keys(tmp_path: Path) -> str:
    """A file with the public keys of a client."""
    file = tmp_path / "public-keys.json"
    file.write_bytes(both_keys())
    return str(file)


def token_from(live: Live, client_id: str, key: Any = None, scope: str = SCOPE, **changes: Any) -> requests.Response:
    """What the token endpoint answers to an assertion of the client."""
    told = claims(client_id, time.time(), aud=f"{live.base}/auth/token")
    signed = assertion(header("ES384", **changes), told, key or ec_key())
    return requests.post(f"{live.base}/auth/token", form(signed, scope), timeout=DEADLINE_S)


def bearer(live: Live, client_id: str, **more: Any) -> dict[str, str]:
    answer = token_from(live, client_id, **more)
    assert answer.status_code == 200, answer.text
    return {"Authorization": f"Bearer {answer.json()['access_token']}"}


def status(live: Live, path: str, headers: dict[str, str] | None = None) -> int:
    answer = requests.get(f"{live.base}{path}", headers=headers or {}, timeout=DEADLINE_S, allow_redirects=False)
    return answer.status_code


# The open demonstration


def test_the_demonstration_answers_this_machine_alone_and_closes_with_the_first_client(tmp_path, keys):
    with live_service(tmp_path) as live:
        port = live.base.rsplit(":", 1)[1]
        assert requests.post(f"{live.base}/intake/courses", documents("01")[0], headers=JSON, timeout=DEADLINE_S).ok
        assert status(live, "/fhir/Patient") == 200
        for page in ("/", "/ward", "/ward/new"):
            assert "open demonstration" in requests.get(f"{live.base}{page}", timeout=DEADLINE_S).text.lower()
        for name in ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP", "Via"):
            assert status(live, "/fhir/Patient", {name: "for=192.0.2.1"}) == 403, name
        for host in (
            "readings.example",
            f"127.0.0.1.evil.example:{port}",
            "localhost.evil.example",
            "0.0.0.0",
            "[::2]",
        ):
            assert status(live, "/fhir/Patient", {"Host": host}) == 403, host
            assert status(live, "/", {"Host": host}) == 403, host
        for host in (f"localhost:{port}", "127.0.0.1", f"[::1]:{port}"):
            assert status(live, "/fhir/Patient", {"Host": host}) == 200, host
        client_id = add_client(tmp_path, keys, SCOPE)
        assert status(live, "/fhir/Patient") == 401
        assert status(live, "/intake/courses") == 401
        assert status(live, "/fhir/metadata") == 200
        page = requests.get(f"{live.base}/", timeout=DEADLINE_S)
        assert page.status_code == 200
        assert json.loads(documents("01")[0])["course"]["course_id"] not in page.text
        assert status(live, "/fhir/Patient", bearer(live, client_id)) == 200
        board = requests.get(f"{live.base}/ward", headers=bearer(live, client_id), timeout=DEADLINE_S)
        assert "open demonstration" not in board.text.lower()
        assert command(tmp_path, "clients", "revoke", client_id).returncode == 0
        assert status(live, "/fhir/Patient") == 401  # it does not open again


# Starts that are refused

CLEAR = "tokens and readings would travel in the clear"
NO_CLIENT = "no client is registered"


@pytest.mark.parametrize(
    ("registered", "options", "environment", "reason"),
    [
        (False, ["--host", "0.0.0.0"], {}, f"{NO_CLIENT}, and the service is not on loopback alone"),
        (False, ["--host", "::"], {}, f"{NO_CLIENT}, and the service is not on loopback alone"),
        (False, [], {"SITE": "alder-bay"}, f"{NO_CLIENT}, and 'alder-bay' is not the demonstration site"),
        (False, [], {"PUBLIC_BASE": "https://readings.example"}, f"{NO_CLIENT}, and the service is not on loopback"),
        (True, [], {"PUBLIC_BASE": "http://readings.example"}, CLEAR),
        (True, ["--host", "0.0.0.0"], {}, CLEAR),
        (True, ["--host", "0.0.0.0"], {"PUBLIC_BASE": "http://127.0.0.1:8443"}, CLEAR),
    ],
)
def test_a_start_that_would_be_open_or_in_the_clear_is_refused_with_its_reason(
    tmp_path, keys, registered, options, environment, reason
):
    if registered:
        add_client(tmp_path, keys, SCOPE)
    port = str(free_port())
    named = {f"CLOSURE_READINGS_{name}": value for name, value in environment.items()}
    ended = command(tmp_path, "serve", "--port", port, *options, **named)
    assert ended.returncode == 2
    assert f"refused: {reason}" in ended.stderr
    assert "Traceback" not in ended.stderr
    if not registered:
        assert "clients add NAME --site SITE" in ended.stderr  # what to do


def test_the_examples_are_never_loaded_into_a_real_site(tmp_path, keys):
    client_id = add_client(tmp_path, keys, SCOPE, site="alder-bay")
    behind_tls = {"CLOSURE_READINGS_SITE": "alder-bay"}
    with live_service(tmp_path, None, ["--examples-when-empty"], **behind_tls) as live:
        token = bearer(live, client_id)
        assert requests.get(f"{live.base}/intake/courses", headers=token, timeout=DEADLINE_S).json()["courses"] == []
        assert (
            requests.get(f"{live.fhir}/Patient?_summary=count", headers=token, timeout=DEADLINE_S).json()["total"] == 0
        )


# Several processes on one database


@contextlib.contextmanager
def two_processes(folder: Path, database_url: str) -> Iterator[tuple[Live, Live]]:
    lives = [start_service(folder, database_url) for _ in range(2)]
    try:
        yield lives[0], lives[1]
    finally:
        for live in lives:
            live.process.terminate()
        for live in lives:
            live.process.wait(timeout=20)


def test_a_token_of_one_process_works_in_another_and_ends_in_both_when_its_client_is_revoked(
    tmp_path, keys, database_url
):
    client_id = add_client(tmp_path, keys, SCOPE, database_url=database_url)
    other_id = add_client(tmp_path, keys, SCOPE, database_url=database_url)
    with two_processes(tmp_path, database_url) as (one, two):
        token, others = bearer(one, client_id), bearer(two, other_id)
        sent = requests.post(f"{two.base}/intake/courses", documents("01")[0], headers=token | JSON, timeout=DEADLINE_S)
        assert sent.status_code == 201
        found = requests.get(f"{one.fhir}/Patient", headers=token, timeout=DEADLINE_S).json()
        assert len(found["entry"]) == 1
        assert status(one, "/fhir/Patient", others) == 200
        assert command(tmp_path, "clients", "revoke", client_id, database_url=database_url).returncode == 0
        assert [status(live, "/fhir/Patient", token) for live in (one, two)] == [401, 401]
        assert [token_from(live, client_id).status_code for live in (one, two)] == [400, 400]
        assert [status(live, "/fhir/Patient", others) for live in (one, two)] == [200, 200]


# From the command line to FHIR and back


def test_a_client_by_file_is_added_signs_in_sends_reads_changes_its_keys_and_is_revoked(tmp_path, keys):
    client_id = add_client(tmp_path, keys, SCOPE)
    with live_service(tmp_path) as live:
        token = bearer(live, client_id)
        sent = requests.post(
            f"{live.base}/intake/courses", documents("01")[0], headers=token | JSON, timeout=DEADLINE_S
        )
        assert sent.status_code == 201
        task = requests.get(f"{live.fhir}/Task", headers=token, timeout=DEADLINE_S).json()["entry"][0]["resource"]
        assert task["resourceType"] == "Task"
        beyond = token_from(live, client_id, scope="system/*.cruds")
        assert (beyond.status_code, beyond.json()["error"]) == (400, "invalid_scope")
        (tmp_path / "next.json").write_bytes(key_set(ec_jwk(ec_key("next"), "ec-2")))
        assert command(tmp_path, "clients", "rotate", client_id, "--jwks", str(tmp_path / "next.json")).returncode == 0
        assert status(live, "/fhir/Task", token) == 401
        assert token_from(live, client_id).json()["error"] == "invalid_client"
        token = bearer(live, client_id, key=ec_key("next"), kid="ec-2")
        assert status(live, "/fhir/Task", token) == 200
        assert command(tmp_path, "clients", "revoke", client_id).returncode == 0
        assert status(live, "/fhir/Task", token) == 401
        assert token_from(live, client_id, key=ec_key("next"), kid="ec-2").json()["error"] == "invalid_client"


def test_a_client_that_publishes_its_keys_signs_in_with_the_next_one_without_a_word(tmp_path):
    with key_server() as published:
        published.body = both_keys()
        published.headers = {"Cache-Control": "max-age=0"}
        hosts = {"CLOSURE_READINGS_JWKS_HOSTS": published.host}
        client_id = add_client(tmp_path, published.url, SCOPE, **hosts)
        with live_service(tmp_path, **hosts) as live:
            assert status(live, "/fhir/Patient", bearer(live, client_id)) == 200
            published.body = key_set(ec_jwk(ec_key("next"), "ec-2"))
            assert status(live, "/fhir/Patient", bearer(live, client_id, key=ec_key("next"), kid="ec-2")) == 200
            assert token_from(live, client_id).json()["error"] == "invalid_client"
    assert {each["path"] for each in published.asked} == {"/jwks.json"}


def test_keys_are_fetched_from_no_host_that_the_operator_did_not_name(tmp_path):
    with key_server() as published:
        published.body = both_keys()
        refused = command(
            tmp_path, "clients", "add", "A system", "--site", "demo", "--jwks", published.url, "--scope", SCOPE
        )
        assert refused.returncode == 1
        assert "refused:" in refused.stderr
        client_id = add_client(tmp_path, published.url, SCOPE, CLOSURE_READINGS_JWKS_HOSTS=published.host)
        with live_service(tmp_path) as live:  # the service itself was told of no host
            assert token_from(live, client_id).json()["error"] == "invalid_client"
    assert published.asked == []
