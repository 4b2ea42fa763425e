"""A thousand courses over a network that fails: complete, once, in order, equal, on both engines.

While one process charts, two deliver; one of them is killed (SIGKILL) now and again, and another started. The
receiver fails by a seeded plan. `CLOSURE_READINGS_FULL_DELIVERY=1` takes a thousand courses on both engines in both
ways of writing.
"""

import os
import random
import time
from collections import Counter

import pytest

from service.commands.deliveries import decide
from service.config import Settings
from service.delivery.destination import Destination, row_values
from service.store.access import open_access_database
from service.store.destination_rows import DestinationRow, insert_destination
from service.store.outbox_rows import list_rows, standings
from service.workflow import open_workflow
from tests.delivery.agreement import Sender, assert_agreement
from tests.delivery.processes import charting, delivering
from tests.delivery.receiver import Plan, receiver
from tests.delivery.ward import NAME, PATIENTS, SITE, patient_of
from tests.intake.documents import NOW

FULL = os.environ.get("CLOSURE_READINGS_FULL_DELIVERY") == "1"
RATES = {
    "slow": 0.03, "429": 0.02, "429-date": 0.004, "503": 0.02, "500": 0.01, "422": 0.01, "cut": 0.02,
    "cut-stored": 0.02, "stored-timeout": 0.006, "dies": 0.004,
}  # fmt: skip
TIMEOUT_S = 0.6
WITHIN_S = 540
KILLS = 8
CASES = [("sqlite", "conditional", 1000), ("postgresql", "put", 1000 if FULL else 200)]
if FULL:
    CASES += [("sqlite", "put", 1000), ("postgresql", "conditional", 1000)]


def open_rows(database) -> Counter[str]:
    with database.read() as connection:
        (found,) = standings(connection, SITE)
    return Counter({"waiting": found.waiting, "held": found.held})


@pytest.mark.slow
@pytest.mark.timeout(WITHIN_S + 60)
@pytest.mark.parametrize(("engine", "writing", "count"), CASES)
def test_under_faults_and_kills_everything_arrives_once_and_in_order(
    engine, writing, count, request, tmp_path, monkeypatch
):
    url = f"sqlite:///{tmp_path}/ward.sqlite3" if engine == "sqlite" else request.getfixturevalue("postgresql_url")
    monkeypatch.setenv("DATABASE_URL", url)
    workflow = open_workflow(Settings(database_url=url))
    database = open_access_database(url)
    chance = random.Random(f"{engine} {writing}")
    each_once = [*RATES, *["none"] * 80]  # whatever is drawn later, every fault is met
    chance.shuffle(each_once)
    plan = Plan(seed=count, rates=RATES, script=each_once, silent_s=TIMEOUT_S * 1.5)
    began = time.monotonic()
    kill_at = [count * part // (KILLS + 1) for part in range(1, KILLS + 1)]  # so many Bundles stored
    with receiver(writing == "conditional", plan) as running:
        for number in range(count):
            if patient_of(number) == f"AB-{number}":
                running.server.patient(PATIENTS, f"AB-{number}")
        wanted = Destination(SITE, NAME, running.base, writing)
        with workflow.store.write(SITE, NOW) as unit:
            insert_destination(unit.connection, DestinationRow(added_at=0, **row_values(wanted)))
        workflow.close()
        charts = charting(url, tmp_path, count)
        senders = [delivering(url, tmp_path, TIMEOUT_S) for _ in range(2)]
        try:
            while charts.is_alive() or +open_rows(database):
                assert time.monotonic() - began < WITHIN_S, (open_rows(database), plan.met)
                time.sleep(0.2)
                if kill_at and running.server.transactions >= kill_at[0]:
                    kill_at.pop(0)
                    place = chance.randrange(2)
                    senders[place].kill()
                    senders[place].join()
                    senders[place] = delivering(url, tmp_path, TIMEOUT_S)
                if open_rows(database)["held"]:
                    assert decide("redrive", SITE, None, NAME, "the ward sister was asked", "test") in (0, 1)
            took = time.monotonic() - began
        finally:
            for each in (*senders, charts):
                each.terminate()
                each.join()
        assert charts.exitcode == 0, (tmp_path / "serve.log").read_text()
        left_out = frozenset({"Provenance"}) if writing == "conditional" else frozenset()
        compared = assert_agreement(Sender(url, left_out), running.records, writing == "conditional")
    with database.read() as connection:
        rows = list_rows(connection, SITE, states=["delivered"], limit=1_000_000)
    database.close()
    assert set(RATES) <= set(plan.met)
    assert kill_at == []
    assert {row.course_id for row in rows} == {f"alder-{number}" for number in range(count)}
    print(
        f"\n{engine}, {writing}: {count} courses, {len(rows)} writes, {compared} resources in {took:.0f} s; "
        f"{sum(plan.met.values())} requests, {running.server.transactions} stored, {KILLS} kills; "
        f"faults {dict(sorted((plan.met - Counter(none=10**9)).items()))}"
    )
