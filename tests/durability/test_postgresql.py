"""Several processes on one PostgreSQL: killed, the database killed and restarted under them, its disk full,
a page damaged.

The server is one of the module's own that waits for the disk with every commit, as installed.
"""

import json
import random
import signal
import time
from functools import partial

import psutil
import psycopg
import pytest
import requests

from service.config import Settings
from service.workflow import open_workflow
from tests.durability import servers
from tests.durability.faults import measured, write_down
from tests.durability.ward import Charting, at_once, command
from tests.engines import fresh_database
from tests.intake.documents import NOW, check, course_file, installation
from tests.live import start_service

KILLS = 6
RESTARTS = 5
BACKENDS = 3


@pytest.fixture(scope="module")
def server():
    with servers.own_server() as started:
        yield started


@pytest.fixture
def url(server):
    return fresh_database(server.get_uri())


def wait_until(reached) -> bool:
    """Whether it comes to that within twenty seconds."""
    until = time.monotonic() + 20
    while not reached() and time.monotonic() < until:
        time.sleep(0.02)
    return reached()


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
    measured("one-of-two", url, KILLS, charting.acknowledged)


@pytest.mark.slow
def test_the_database_restarted_during_writes_is_told_of_and_gone_on_with(tmp_path, server, url):
    charting = Charting()
    live = start_service(tmp_path, url)
    writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 10_000) for n in range(3)])
    try:
        for restart in range(RESTARTS):
            time.sleep(0.4)
            before = len(charting.acknowledged)
            servers.stop(server, "immediate" if restart % 2 else "fast")
            down = requests.get(f"{live.base}/fhir/Observation", timeout=30)
            assert down.status_code == 503
            assert down.json()["issue"][0]["diagnostics"] == "the database cannot be reached or opened"
            assert int(down.headers["retry-after"]) > 0
            servers.start(server, url)
            assert wait_until(lambda n=before: len(charting.acknowledged) > n), "the service goes on by itself"
        assert live.process.poll() is None
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(live)
    print(f"{RESTARTS} restarts, {len(charting.acknowledged)} acknowledged, answers {dict(charting.statuses)}")
    assert charting.statuses[503] > 0
    assert charting.statuses[500] == 0
    measured("database-restart", url, RESTARTS, charting.acknowledged)


@pytest.mark.slow
def test_one_of_the_databases_processes_killed_during_writes_is_gone_on_with(tmp_path, server, url):
    """PostgreSQL then ends every connection and recovers from its log: what a lack of memory does to it."""
    charting = Charting()
    live = start_service(tmp_path, url)
    writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 10_000) for n in range(3)])
    kills = 0
    try:
        for _ in range(BACKENDS):
            time.sleep(0.3)
            before = len(charting.acknowledged)
            serving = [one for one in servers.processes(server) if make_name(url) in " ".join(one.cmdline())]
            assert serving, "the service has connections"
            killed_at_work(serving)
            kills += 1
            assert servers.is_up(url)
            assert wait_until(lambda n=before: len(charting.acknowledged) > n), "the service goes on by itself"
        assert live.process.poll() is None
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(live)
    print(f"answers {dict(charting.statuses)}")
    assert charting.statuses[500] == 0
    measured("database-process", url, kills, charting.acknowledged)


def make_name(url):
    return url.partition("?")[0].rpartition("/")[2]


def killed_at_work(serving):
    """Kill one of the connections' processes, one in a transaction where there is one."""
    at_work = [one for one in serving if "idle" not in one.cmdline()[-1] or "in transaction" in one.cmdline()[-1]]
    (at_work or serving)[0].kill()


@pytest.mark.slow
def test_no_room_for_the_tables_is_said_and_after_room_is_made_all_goes_on(tmp_path, server, url):
    servers.short_log_files(server, url)
    live = start_service(tmp_path, url)
    charting, fills = Charting(), 0
    writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 10_000) for n in range(3)])
    try:
        while servers.file_of(server, url, "resources").stat().st_size < 1.2e6:
            time.sleep(0.1)  # the limit has to lie above the length of the log's files
        for _ in range(3):
            refused, before = charting.statuses[503], len(charting.acknowledged)
            servers.limit_file_size(server, servers.file_of(server, url, "resources").stat().st_size + 8192)
            fills += wait_until(lambda n=refused: charting.statuses[503] > n)
            servers.limit_file_size(server, None)
            assert wait_until(lambda n=before: len(charting.acknowledged) > n), "the service goes on by itself"
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(live)
    print(f"answers {dict(charting.statuses)}")
    assert fills == 3
    assert charting.statuses[500] == 0
    assert charting.said == {"no room is left for the database"}
    measured("no-room", url, fills, charting.acknowledged)


@pytest.mark.slow
def test_no_room_for_the_log_stops_the_database_and_with_room_it_starts_and_all_goes_on(tmp_path, server, url):
    live = start_service(tmp_path, url)
    charting, stopped = Charting(), 0
    try:
        writers = at_once([partial(charting.chart, lambda: live.base, f"course-{n}", 10_000) for n in range(3)])
        for _ in range(2):
            time.sleep(0.4)
            before = len(charting.acknowledged)
            servers.limit_file_size(server, 8192)
            _, alive = psutil.wait_procs(servers.processes(server)[:1], timeout=30)
            assert not alive, "PostgreSQL stops rather than lose"
            stopped += 1
            down = requests.get(f"{live.base}/fhir/Observation", timeout=30)
            assert down.status_code == 503
            servers.start(server, url)
            assert wait_until(lambda n=before: len(charting.acknowledged) > n), "the service goes on by itself"
    finally:
        charting.stop.set()
        for writer in writers:
            writer.join(timeout=60)
        stop(live)
    print(f"answers {dict(charting.statuses)}")
    assert charting.statuses[500] == 0
    measured("no-room-for-log", url, stopped, charting.acknowledged)


def overwrite(server, url, at, raw):
    """Other bytes in the file of the entries, while the server is down; the way to the place that held `at`."""
    file = servers.file_of(server, url, "entries")
    servers.stop(server)
    whole = bytearray(file.read_bytes())
    place = at if isinstance(at, int) else whole.index(at)
    whole[place : place + len(raw)] = raw
    with file.open("r+b") as opened:  # the owner stays
        opened.write(whole)
    servers.start(server, url)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "at", "raw"),
    [
        pytest.param("damage", 200, b"\xa5" * 4000, id="half a page overwritten"),
        # 'l' and 'm' differ in one bit. The page's structure is as it was; only its checksum tells.
        pytest.param("bit", b"slept well", b"slept welm", id="one bit of a note turned"),
    ],
)
def test_a_damaged_page_of_postgresql_is_called_so(tmp_path, server, url, fault, at, raw):
    workflow = open_workflow(Settings(database_url=url))
    for number in range(5):
        workflow.record_course(course_file(installation(), check(note="slept well"), course_id=f"c-{number}"), NOW)
    workflow.close()
    with psycopg.connect(url) as connection:
        assert connection.execute("SHOW data_checksums").fetchone() == ("on",)
    overwrite(server, url, at, raw)
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
    told = command(url, "rebuild", "--check")
    assert told.returncode == 3
    assert b"the database is damaged: stop the service and restore a backup" in told.stderr
    write_down(fault, "PostgreSQL", 1, 0)
