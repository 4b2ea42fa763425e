"""One assertion is good for one request, whichever process takes it (SMART App Launch 2.2.0: jti)."""

import subprocess
import sys
import threading
from pathlib import Path

import pytest
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError

from service.access.faults import TokenRefused
from service.access.key_fetch import KeySets
from service.access.token_endpoint import TokenEndpoint
from service.store.access_tables import used_assertions
from service.store.errors import StoreError
from tests.access.conftest import NOW, new_client
from tests.access.sender import TOKEN_URL, TYPES, assertion, claims, form, header

ROOT = Path(__file__).parents[2]
PROCESSES, ROUNDS = 3, 40


@pytest.mark.slow
def test_of_processes_that_send_one_assertion_at_once_exactly_one_gets_a_token(either_database, database_url, tmp_path):
    client_id = new_client(either_database)
    lines = [assertion(header(), claims(client_id, NOW.timestamp())) for _ in range(ROUNDS)]
    command = [sys.executable, "-m", "tests.access.one_request", database_url, str(tmp_path)]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    started = [subprocess.Popen(command, cwd=ROOT, **pipes) for _ in range(PROCESSES)]
    for process in started:
        process.stdin.write("\n".join(lines))
        process.stdin.close()
        process.stdin = None
    for process in started:
        assert process.stdout.readline() == "ready\n", process.stderr.read()
    for number in range(ROUNDS):
        (tmp_path / f"go-{number}").touch()
        answers = [process.stdout.readline().strip() for process in started]
        assert answers.count("granted") == 1, answers
        assert sum("jti was used before" in answer for answer in answers) == PROCESSES - 1, answers
    ended = [process.communicate(timeout=60) for process in started]
    assert [process.returncode for process in started] == [0] * PROCESSES, ended


def test_of_threads_that_send_one_assertion_at_once_exactly_one_gets_a_token(either_database):
    client_id = new_client(either_database)
    endpoint = TokenEndpoint(either_database, KeySets(frozenset()), TOKEN_URL, TYPES)
    request = form(assertion(header(), claims(client_id, NOW.timestamp())))
    start, results = threading.Barrier(8), []

    def send():
        start.wait()
        try:
            endpoint.grant(request, NOW)
            results.append("granted")
        except TokenRefused as refused:
            results.append(refused.error)

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(results) == ["granted", *["invalid_client"] * 7]


def test_the_database_itself_refuses_a_second_row_of_one_jti(either_database):
    client_id = new_client(either_database)
    row = {"client_id": client_id, "jti_digest": b"\x01" * 32, "keep_until": 1}
    with either_database.write() as connection:
        connection.execute(insert(used_assertions).values(row))
    with pytest.raises(StoreError) as refused, either_database.write() as connection:
        connection.execute(insert(used_assertions).values(row))
    assert isinstance(refused.value.__cause__, IntegrityError)
