"""Who polls by `_lastUpdated=gt...` misses nothing, while several processes write with clocks that differ.

Expected from the search parameter's meaning alone (https://hl7.org/fhir/R4/search.html#lastUpdated): a version that a
poller has not seen yet must carry a later time than everything it has seen.
"""

import json
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path

import pytest
import requests

from service.config import Settings
from service.store import open_store
from service.workflow import open_workflow
from tests.durability.ward import Charting, assert_nothing_lost, at_once
from tests.live import start_service
from tests.store.samples import NOON, SITE, draft, observation
from tests.store.test_searching import search

ROOT = Path(__file__).parents[2]
CLOCKS_S = (0.0, 0.0, -300.0, 300.0)  # two machines of the right time, one slow by five minutes, one fast
WRITES = 40


class Poller:
    """Asks again and again for what is later than the latest seen, until told that all is written."""

    def __init__(self) -> None:
        self.seen: dict[tuple[str, str], str] = {}  # id, version -> lastUpdated
        self.since = "2000-01-01T00:00:00Z"
        self.rounds = 0

    def take(self, resources) -> None:
        """One answer, in its order."""
        before = self.since
        for body in resources:
            meta = body["meta"]
            assert meta["lastUpdated"] > before, "appeared behind what was read already"
            assert meta["lastUpdated"] >= self.since, "out of order"
            assert (body["id"], meta["versionId"]) not in self.seen, "given twice"
            self.seen[body["id"], meta["versionId"]] = self.since = meta["lastUpdated"]
        self.rounds += 1


@pytest.mark.slow
def test_a_version_that_is_committed_later_never_carries_an_earlier_time(database_url):
    store = open_store(database_url)
    store.migrate()
    writers = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.durability.slow_writer", database_url, f"m-{n}", str(WRITES), str(offset)],
            cwd=ROOT, stdout=subprocess.PIPE,
        )
        for n, offset in enumerate(CLOCKS_S)
    ]  # fmt: skip
    poller, running = Poller(), True
    while running:
        running = any(writer.poll() is None for writer in writers)  # asked before the last look
        poller.take(changed_since(store, poller.since))
        time.sleep(0.002)
    written = [line.decode() for writer in writers for line in writer.communicate()[0].split()]
    store.close()
    assert [writer.returncode for writer in writers] == [0, 0, 0, 0]
    assert len(written) == len(set(written)) == len(CLOCKS_S) * WRITES
    assert {id_ for id_, _ in poller.seen} == {*written, "p-1-o-0"}
    assert poller.rounds > 20, "the poller looked while they wrote"


def changed_since(store, since: str):
    """Observations later than `since`, the earliest first, as a search gives them."""
    page = search(store, "Observation", f"_lastUpdated=gt{since}&_sort=_lastUpdated&_count=1000")
    return [json.loads(row.body) for row in page.rows]


@pytest.mark.slow
def test_who_polls_over_http_misses_nothing_while_several_processes_write(tmp_path, database_url):
    lives = [start_service(tmp_path, database_url) for _ in range(3)]
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

    # Four write a course each, two write one course together.
    courses = ["course-0", "course-1", "course-2", "course-3", "shared", "shared"]
    writers = at_once(
        [
            partial(charting.chart, lambda n=n: lives[n % 3].base, course_id, 8, f"w{n}")
            for n, course_id in enumerate(courses)
        ]
    )
    poller = at_once([poll])[0]
    for writer in writers:
        writer.join(timeout=120)
    ended.set()
    poller.join(timeout=60)
    for live in lives:
        live.process.terminate()
    for live in lives:
        live.process.wait(timeout=30)
    assert not poller.is_alive()
    workflow = open_workflow(Settings(database_url=database_url))
    with workflow.store.read("demo") as unit:
        told = {id_ for course_id in set(courses) for _, id_ in unit.current(course_id, ("Provenance",))}
    workflow.close()
    print(f"{len(seen)} Provenances read by polling")
    assert len(told) >= 4 * 9 + 17
    assert set(seen) == told
    assert assert_nothing_lost(database_url, charting.acknowledged) == 4 * 9 + 17


def test_on_postgresql_sites_do_not_wait_for_each_other(postgresql_url):
    store = open_store(postgresql_url)
    store.migrate()
    with store.write(SITE, NOON) as unit:
        unit.save_resources([draft(observation(1))])
        with store.write("another-site", NOON) as other:  # would wait for ever, were there one lock for all
            other.save_resources([draft(observation(2))])
        with store.read("another-site") as reading:
            assert reading.resource("Observation", "p-1-o-2").version == 1
        with store.read(SITE) as reading:
            assert reading.resource("Observation", "p-1-o-1") is None
    store.close()
