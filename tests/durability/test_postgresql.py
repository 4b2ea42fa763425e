"""Several processes on one PostgreSQL: killed, the database restarted under them, a page damaged; pollers miss nothing.

The server is one of the module's own that waits for the disk with every commit, as installed.
"""

import json
import random
import re
import signal
import subprocess
import threading
import time
import warnings
from functools import partial
from pathlib import Path

import psycopg
import pytest
import requests
from sqlalchemy import create_engine, inspect
from sqlalchemy.engine import make_url

from service.config import Settings
from service.store.copying import tables
from service.workflow import open_workflow
from tests.durability.ward import Charting, assert_nothing_lost, at_once
from tests.engines import control, fresh_database, postgresql_server
from tests.intake.documents import NOW, check, course_file, installation
from tests.live import start_service
from tests.store.test_copying import filled, rows_of

KILLS = 8
RESTARTS = 5


@pytest.fixture(scope="module")
def server():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package warns of the machine's runtime folder as it is imported
        with postgresql_server() as started:
            yield started


@pytest.fixture
def url(server):
    return fresh_database(server.get_uri())


def stop(*lives) -> None:
    for live in lives:
        live.process.terminate()
    for live in lives:
        live.process.wait(timeout=30)


@pytest.mark.slow
def test_a_process_killed_at_any_moment_beside_another_loses_nothing_acknowledged(tmp_path, url):
    chance = random.Random(20260302)
    charting = Charting()
    lives = [start_service(tmp_path, url) for _ in range(2)]
    writers = at_once([partial(charting.chart, lambda n=n: lives[n % 2].base, f"course-{n}", 10_000) for n in range(4)])
    try:
        for kill in range(KILLS):
            time.sleep(chance.uniform(0.05, 0.6))
            killed = lives[kill % 2]
            killed.process.send_signal(signal.SIGKILL)
            killed.process.wait(timeout=20)
            lives[kill % 2] = start_service(tmp_path, url)
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(*lives)
    print(f"{KILLS} kills, {len(charting.acknowledged)} acknowledged entries, answers {dict(charting.statuses)}")
    assert charting.statuses[0] >= KILLS / 2, "the kills met requests"
    assert len(charting.acknowledged) > KILLS
    assert_nothing_lost(url, charting.acknowledged)


@pytest.mark.slow
def test_the_database_restarted_during_writes_is_told_of_and_gone_on_with(tmp_path, server, url):
    charting = Charting()
    live = start_service(tmp_path, url)
    writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 10_000) for n in range(3)])
    try:
        for restart in range(RESTARTS):
            time.sleep(0.7)
            before = len(charting.acknowledged)
            control(server, "stop", "-m", "immediate" if restart % 2 else "fast")  # immediate: as when power fails
            down = requests.get(f"{live.base}/fhir/Observation", timeout=30)
            assert down.status_code == 503
            assert down.json()["issue"][0]["diagnostics"] == "the database cannot be reached or opened"
            assert int(down.headers["retry-after"]) > 0
            control(server, "start", "-l", str(server.log), "-o", f'-h "" -k {make_url(url).query["host"]}')
            for _ in range(200):
                if len(charting.acknowledged) > before:
                    break
                time.sleep(0.1)
            assert len(charting.acknowledged) > before, "the service goes on by itself"
        assert live.process.poll() is None
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(live)
    print(f"{RESTARTS} restarts, {len(charting.acknowledged)} acknowledged, answers {dict(charting.statuses)}")
    assert charting.statuses[503] > 0
    assert charting.statuses[500] == 0
    assert_nothing_lost(url, charting.acknowledged)


@pytest.mark.slow
def test_who_polls_by_last_updated_misses_nothing_while_several_processes_write(tmp_path, url):
    lives = [start_service(tmp_path, url) for _ in range(2)]
    charting, seen, ended = Charting(), {}, threading.Event()

    def poll() -> None:
        since, last_round = "2000-01-01T00:00:00Z", False
        while not last_round:
            last_round = ended.is_set()
            address = f"{lives[0].base}/fhir/Provenance?_lastUpdated=gt{since}&_sort=_lastUpdated&_count=7"
            while address:
                page = requests.get(address.replace("+", "%2B"), timeout=30).json()
                for entry in page.get("entry", []):
                    if entry["search"]["mode"] == "match":
                        body = entry["resource"]
                        assert body["id"] not in seen, "given twice"
                        assert body["meta"]["lastUpdated"] >= since, "out of order"
                        seen[body["id"]] = since = body["meta"]["lastUpdated"]
                links = {link["relation"]: link["url"] for link in page["link"]}
                address = links.get("next")

    writers = at_once([partial(charting.chart, lambda n=n: lives[n % 2].base, f"course-{n}", 12) for n in range(4)])
    poller = at_once([poll])[0]
    for writer in writers:
        writer.join(timeout=120)
    ended.set()
    poller.join(timeout=60)
    stop(*lives)
    assert not poller.is_alive()
    workflow = open_workflow(Settings(database_url=url))
    with workflow.store.read("demo") as unit:
        told = {id_ for n in range(4) for _, id_ in unit.current(f"course-{n}", ("Provenance",))}
    workflow.close()
    print(f"{len(seen)} Provenances read by polling")
    assert len(told) >= 4 * 13
    assert set(seen) == told
    assert assert_nothing_lost(url, charting.acknowledged) == 4 * 13


@pytest.mark.slow
def test_a_damaged_page_of_postgresql_is_called_so(tmp_path, server, url):
    workflow = open_workflow(Settings(database_url=url))
    for number in range(5):
        workflow.record_course(course_file(installation(), check(), course_id=f"c-{number}"), NOW)
    workflow.close()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CHECKPOINT")
        place = connection.execute("SELECT pg_relation_filepath('entries')").fetchone()[0]
    control(server, "stop", "-m", "fast")
    with (server.pgdata / place).open("r+b") as file:
        file.seek(200)
        file.write(b"\xa5" * 4000)
    control(server, "start", "-l", str(server.log), "-o", f'-h "" -k {make_url(url).query["host"]}')
    live = start_service(tmp_path, url)
    try:
        answer = requests.get(f"{live.base}/intake/courses/c-3", timeout=30)
        assert answer.status_code == 500
        assert answer.json()["detail"] == "the database is damaged: stop the service and restore a backup"
        chart = requests.post(
            f"{live.base}/intake/courses/c-3/entries", data=json.dumps({}), headers={"Content-Type": "application/json"}
        )
        assert chart.status_code == 500
    finally:
        stop(live)


def test_a_dump_of_postgresql_restores_as_it_was(server, tmp_path):
    source = filled(fresh_database(server.get_uri()))
    target = fresh_database(server.get_uri())
    dump = tmp_path / "readings.dump"
    with dump.open("wb") as file:
        subprocess.run([server.bin_path / "pg_dump", "-Fc", source], stdout=file, check=True)
    subprocess.run(
        [server.bin_path / "pg_restore", "--exit-on-error", "--single-transaction", "-d", target, str(dump)], check=True
    )
    assert rows_of(target) == rows_of(source)
    workflow = open_workflow(Settings(database_url=target))
    assert list(workflow.differences(NOW)) == []
    workflow.close()


def test_the_tables_can_be_partitioned_by_site_and_a_search_reads_one_part(server):
    """The DDL of docs/durability.md, run as it stands there, on a copy of the rows."""
    text = (Path(__file__).parents[2] / "docs" / "durability.md").read_text("utf-8")
    ddl = text.partition("```sql partition\n")[2].partition("```")[0]
    assert "PARTITION BY LIST (site)" in ddl
    url = filled(fresh_database(server.get_uri()))
    before, shape = rows_of(url), shapes(url)
    with psycopg.connect(url) as connection:
        connection.execute(ddl)
    assert rows_of(url) == before
    assert shapes(url) == shape
    with psycopg.connect(url) as connection:
        asked = "SELECT body FROM resources WHERE site = 'ward-seven' AND id = 'p-1-o-1' AND type = 'Observation'"
        plan = "\n".join(row[0] for row in connection.execute(f"EXPLAIN {asked}"))
    assert "resources_ward_seven" in plan
    assert "resources_rest" not in plan
    workflow = open_workflow(Settings(database_url=url))
    workflow.record_course(course_file(installation(), check(), course_id="c-1"), NOW)
    assert list(workflow.differences(NOW)) == []
    workflow.close()


def shapes(url: str) -> list[object]:
    """Columns, keys and indexes of the partitioned tables."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    found = inspect(engine)
    shape = [
        (
            [(column["name"], str(column["type"]), column["nullable"]) for column in found.get_columns(table)],
            found.get_pk_constraint(table)["constrained_columns"],
            sorted((one["name"], tuple(one["column_names"])) for one in found.get_indexes(table)),
        )
        for table in ("resources", "resource_history")
    ]
    engine.dispose()
    return shape


def test_what_the_documentation_distributes_by_site_is_every_table_keyed_by_it():
    text = (Path(__file__).parents[2] / "docs" / "durability.md").read_text("utf-8")
    named = set(re.findall(r"`([a-z_]+)`", text.partition("### Distribution over machines")[2])) - {"site"}
    assert named == {table.name for table in tables() if "site" in table.primary_key.columns}
