"""What was acknowledged is on disk, whatever happens to the process; two processes lose nothing to each other."""

import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from service.store import Store, open_store
from service.store.engines import Checkpoints
from tests.durability.faults import write_down
from tests.store.samples import SITE, check
from tests.store.test_searching import search

ROOT = Path(__file__).parents[2]


def start(database_url: str, prefix: str, count: int, course_id: str = "c-1") -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.store.writer", database_url, course_id, prefix, str(count)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def whole_lines(output: bytes) -> list[tuple[str, int]]:
    lines = [line.decode().split() for line in output.split(b"\n")[:-1]]
    return [(entry_id, int(version)) for entry_id, version in lines]


def assert_consistent(store: Store, acknowledged: list[tuple[str, int]], course_id: str = "c-1") -> int:
    """Every acknowledged write is there whole, no other is there in part; returns how many writes there are."""
    with store.read(SITE) as reading:
        entries = [each.entry_id for each in reading.entries(course_id)]
        assert len(entries) == len(set(entries))
        assert {entry_id for entry_id, _ in acknowledged} <= set(entries)
        current = reading.current(course_id)
        written = [each for entry_id in entries for each in check(course_id, entry_id, "p-1", "")]
        expected = {("Observation", each["id"]) for each in written}
        assert set(current) == expected | ({("Observation", "p-1-o-0")} if entries else set())
        versions = [each.version for each in reading.history("Observation", "p-1-o-0", limit=100_000)]
        assert versions == list(range(len(entries), 0, -1))
        stamps = [each.last_updated for each in reading.history("Observation", "p-1-o-0", limit=100_000)]
        assert all(later > earlier for later, earlier in pairwise(stamps))
        for entry_id, version in acknowledged:
            assert f'"text":"{entry_id}"'.encode() in reading.version("Observation", "p-1-o-0", version).body
    return len(entries)


@pytest.mark.slow
def test_a_writer_killed_at_any_moment_loses_nothing_acknowledged_and_leaves_nothing_half(tmp_path):
    url = f"sqlite:///{tmp_path / 'readings.sqlite3'}"
    store = open_store(url)
    store.migrate()
    random, acknowledged = Random(20), []
    for round_ in range(20):
        process = start(url, f"r{round_}", 100_000)
        assert process.stdout is not None
        first = process.stdout.readline()  # it is writing now
        time.sleep(random.uniform(0.0, 0.25))
        process.kill()
        output, errors = process.communicate()
        assert process.returncode == -9, errors.decode()
        lines = whole_lines(first + output)
        assert lines
        acknowledged += lines
        written = assert_consistent(store, acknowledged)
        assert written >= len(acknowledged)
    assert len(acknowledged) > 100
    with store.read(SITE) as reading:
        there = {each.entry_id for each in reading.entries("c-1")}
    write_down("writer", "SQLite", 20, len(acknowledged), {entry_id for entry_id, _ in acknowledged} - there)
    assert search(store, "Observation", "code=code-3&_summary=count").total >= len(acknowledged)
    store.close()


@pytest.mark.slow
def test_two_processes_that_write_one_course_lose_nothing_to_each_other(store, database_url):
    processes = [start(database_url, prefix, 60) for prefix in ("a", "b")]
    outputs = [process.communicate() for process in processes]
    assert [process.returncode for process in processes] == [0, 0], [errors.decode() for _, errors in outputs]
    acknowledged = [line for output, _ in outputs for line in whole_lines(output)]
    assert len(acknowledged) == 120
    assert len({version for _, version in acknowledged}) == 120
    assert assert_consistent(store, acknowledged) == 120


def test_the_checkpoint_thread_ends_when_it_is_stopped_just_as_it_takes_up_a_write(tmp_path):
    checkpoints = Checkpoints(tmp_path / "readings.sqlite3")
    forget = checkpoints._written.clear

    def stopped_meanwhile() -> None:
        checkpoints._stop.set()
        checkpoints._written.set()
        forget()

    checkpoints._written.clear = stopped_meanwhile
    checkpoints.written()
    checkpoints._thread.join(timeout=5)
    assert not checkpoints._thread.is_alive()
