"""Faults of the machine, each injected into the running service: after it nothing acknowledged is missing.

Full disk: the largest size that a process may write to a file is lowered on the running service (setrlimit(2)), which
fails writes halfway as a full disk does; `test_errors` in tests/store has the engine's own limit.
"""

import json
import resource
import signal
import subprocess
import sys
import time
from datetime import timedelta
from functools import partial

import pytest
import requests
from sqlalchemy import create_engine, inspect, text

from service import strict_json
from service.config import Settings
from service.search.dates import microseconds
from service.store import open_store
from service.workflow import open_workflow
from tests.durability.faults import engine_of, measured, write_down
from tests.durability.ward import Charting, at_once, command
from tests.intake.documents import NOW, check, course_file, installation
from tests.live import start_service
from tests.store.test_backups import damaged
from tests.store.test_reindexing import store_under_the_first_schema
from tests.store.test_searching import found

UNLIMITED = resource.RLIM_INFINITY


def stop(live) -> None:
    live.process.terminate()
    live.process.wait(timeout=30)


@pytest.mark.slow
def test_a_full_disk_refuses_in_plain_words_and_after_room_is_made_all_goes_on(tmp_path):
    url = f"sqlite:///{tmp_path}/ward.sqlite3"
    live = start_service(tmp_path, url)
    charting, fills = Charting(), 0
    try:
        writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 15) for n in range(3)])
        for _ in range(6):
            time.sleep(0.25)
            if not any(writer.is_alive() for writer in writers):
                break
            size = max(path.stat().st_size for path in tmp_path.glob("ward.sqlite3*"))
            resource.prlimit(live.process.pid, resource.RLIMIT_FSIZE, (size + 2048, UNLIMITED))
            refused = charting.statuses[503]
            for _ in range(100):
                time.sleep(0.05)
                if charting.statuses[503] > refused or not any(writer.is_alive() for writer in writers):
                    break
            fills += charting.statuses[503] > refused
            resource.prlimit(live.process.pid, resource.RLIMIT_FSIZE, (UNLIMITED, UNLIMITED))
        for writer in writers:
            writer.join(timeout=120)
    finally:
        charting.stop.set()
        stop(live)
    print(f"full disk: {dict(charting.statuses)}")
    assert charting.statuses[503] > 0
    assert charting.statuses[500] == 0
    assert len(charting.acknowledged) == 3 * 16
    assert measured("no-room", url, fills, charting.acknowledged) == 3 * 16


@pytest.mark.slow
def test_two_writers_of_one_course_lose_nothing_and_double_nothing(tmp_path, database_url):
    lives = [start_service(tmp_path, database_url) for _ in range(2)]
    charting = Charting()
    try:
        # Two send the same entries, as a client and its retry; two send their own.
        names = ["same", "same", "a", "b"]
        writers = at_once(
            [partial(charting.chart, lambda n=n: lives[n % 2].base, "shared", 8, name) for n, name in enumerate(names)]
        )
        for writer in writers:
            writer.join(timeout=120)
    finally:
        charting.stop.set()
        for live in lives:
            stop(live)
    assert set(charting.statuses) <= {200, 201}
    assert measured("one-course", database_url, 25, charting.acknowledged) == 1 + 3 * 8
    workflow = open_workflow(Settings(database_url=database_url))
    with workflow.store.read("demo") as unit:
        plan = next(key for key in unit.current("shared") if key[0] == "CarePlan")
        versions = [one.version for one in unit.history(*plan, limit=1000)]
        assert versions == list(range(len(versions), 0, -1))
    workflow.close()


def test_a_clock_that_jumps_back_hides_nothing_from_who_polls(database_url):
    workflow = open_workflow(Settings(database_url=database_url))
    workflow.record_course(course_file(installation(), course_id="c-1"), NOW)
    read_until = stamps = 0
    jumps = [0, 3600, -86_400, 5, -3 * 86_400, 0, 60, -60]
    for number, seconds in enumerate(jumps):
        row = check(f"ch-{number}", f"2026-03-02T2{number % 4}:1{number}:00+01:00")
        workflow.record_entries("c-1", row, NOW + timedelta(seconds=seconds))
        with workflow.store.read("demo") as unit:
            changed = [unit.resource(*key) for key in unit.current("c-1")]
        fresh = [one for one in changed if one.last_updated > read_until]
        assert any(one.type == "Provenance" for one in fresh), "the write appeared behind what was read already"
        read_until = max(one.last_updated for one in changed)
        stamps += 1
    assert read_until >= microseconds(NOW + timedelta(seconds=max(jumps)))
    assert stamps == len(jumps)
    workflow.close()
    acknowledged = {("c-1", "in-1"), *(("c-1", f"ch-{number}") for number in range(len(jumps)))}
    assert measured("clock", database_url, len(jumps), acknowledged) == len(acknowledged)


@pytest.mark.slow
def test_a_damaged_page_is_called_so_by_the_running_service_and_by_the_next_start(tmp_path):
    file = tmp_path / "ward.sqlite3"
    url = f"sqlite:///{file}"
    workflow = open_workflow(Settings(database_url=url))
    for number in range(30):
        workflow.record_course(course_file(installation(), check(), course_id=f"c-{number}"), NOW)
    workflow.close()
    live = start_service(tmp_path, url)
    try:
        assert requests.get(f"{live.base}/fhir/Observation?_count=1", timeout=10).ok
        damaged(file)
        fhir = requests.get(f"{live.base}/fhir/Flag?_count=1000", timeout=10)
        assert fhir.status_code == 500
        assert fhir.json()["issue"][0]["diagnostics"].startswith("the database is damaged: stop the service")
        chart = requests.post(f"{live.base}/intake/courses/c-3/entries", json=_plain(check("ch-9")), timeout=10)
        assert chart.status_code == 500
        assert chart.json()["detail"] == "the database is damaged: stop the service and restore a backup"
    finally:
        stop(live)
    told = command(url, "rebuild", "--check")
    assert told.returncode == 1
    assert b"the database file is damaged" in told.stderr
    assert b"restore a backup" in told.stderr
    file.write_bytes(b"\xff" * 8192)
    for suffix in ("-wal", "-shm"):
        file.with_name(file.name + suffix).unlink(missing_ok=True)
    told = command(url, "due")
    assert told.returncode == 3
    assert told.stderr.strip() == b"closure-readings: the database is damaged: stop the service and restore a backup"
    write_down("damage", "SQLite", 1, 0)


INTERRUPTED = """
import os, sys
from sqlalchemy import event
from sqlalchemy.engine import Engine
from service.store import open_store
left = int(sys.argv[2])
@event.listens_for(Engine, "after_cursor_execute")
def count(*_):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), 9)
store = open_store(sys.argv[1])
store.migrate()
store.close()
"""


@pytest.mark.slow
def test_a_migration_killed_after_any_statement_is_completed_by_the_next_start(database_url):
    killed = 0
    for statements in (1, 3, 5, 8, 12, 17, 23, 30, 10_000):
        ended = subprocess.run(
            [sys.executable, "-c", INTERRUPTED, database_url, str(statements)], stderr=subprocess.PIPE
        )
        assert ended.returncode in (0, -signal.SIGKILL), ended.stderr
        killed += ended.returncode != 0
        engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
        found = set(inspect(engine).get_table_names())
        engine.dispose()
        if ended.returncode:
            assert found <= {"alembic_version"}, "a half migrated database"
    assert killed >= 5
    store = open_store(database_url)
    store.ready()
    store.close()
    workflow = open_workflow(Settings(database_url=database_url))
    workflow.record_course(course_file(installation(), course_id="c-1"), NOW)
    workflow.close()
    assert measured("upgrade", database_url, killed, {("c-1", "in-1")}) == 1


def _plain(document):
    return json.loads(strict_json.write(document))


@pytest.mark.slow
def test_an_upgrade_of_a_database_with_readings_killed_after_any_statement_is_completed_by_the_next(
    tmp_path, database_url
):
    store_under_the_first_schema(tmp_path, database_url, 120)
    killed = 0
    for statements in (6, 12, 30, 60):
        ended = subprocess.run(
            [sys.executable, "-c", INTERRUPTED, database_url, str(statements)], stderr=subprocess.PIPE
        )
        assert ended.returncode in (0, -signal.SIGKILL), ended.stderr
        killed += ended.returncode != 0
        engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
        with engine.connect() as connection:
            version = connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one()
            stored = connection.execute(text("SELECT count(*) FROM resources")).scalar_one()
        engine.dispose()
        assert stored == 120
        assert version == "0001" or not ended.returncode, "a half migrated database"
    assert killed >= 3
    store = open_store(database_url)
    store.migrate()
    there = found(store, "value-quantity=31||mm&_count=1000")
    store.close()
    write_down(
        "upgrade-of-readings", engine_of(database_url), killed, 120, {f"p-1-o-{n}" for n in range(1, 121)} - there
    )
