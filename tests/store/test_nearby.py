"""Reads by key at once, on the thread that asks: the same answers, and never a wait."""

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from service.store import open_store
from service.store.nearby import Nearby, NotNearby
from tests.store.samples import SITE, later, observation, save


def near(store, id_="p-1-o-1", site=SITE):
    with store.read_nearby(site) as reading:
        return reading.standing("Observation", id_)


def in_the_ordinary_way(store, id_="p-1-o-1", site=SITE):
    with store.read(site) as reading:
        return reading.standing("Observation", id_)


def test_what_was_committed_last_is_read(sqlite_store):
    for number in range(3):
        save(sqlite_store, observation(1, at=f"2024-05-0{number + 1}"), now=later(number))
        assert near(sqlite_store) == in_the_ordinary_way(sqlite_store)
        assert near(sqlite_store).version == number + 1
    assert near(sqlite_store, "p-1-o-2") is None
    assert near(sqlite_store, site="another-ward") is None


def test_what_another_process_committed_is_read(sqlite_store, tmp_path):
    save(sqlite_store, observation(1))
    assert near(sqlite_store).version == 1
    with closing(open_store(f"sqlite:///{tmp_path / 'readings.sqlite3'}")) as other:
        save(other, observation(1, at="2024-05-02"), now=later(1))
    assert near(sqlite_store).version == 2


def test_it_does_not_wait_for_a_locked_file(sqlite_store, tmp_path):
    save(sqlite_store, observation(1))
    sqlite_store.close()  # whoever wants the file for himself has to wait for others to leave it
    with closing(sqlite3.connect(tmp_path / "readings.sqlite3", isolation_level=None)) as alone:
        alone.execute("PRAGMA locking_mode=EXCLUSIVE")
        alone.execute("BEGIN EXCLUSIVE")
        alone.execute("UPDATE resources SET version = version")
        with pytest.raises(NotNearby):
            near(sqlite_store)
        alone.execute("COMMIT")
    assert near(sqlite_store).version == 1


def test_one_thread_at_a_time(sqlite_store):
    save(sqlite_store, observation(1))
    refused = []

    def ask():
        try:
            near(sqlite_store)
        except NotNearby:
            refused.append(True)

    with sqlite_store.read_nearby(SITE):
        other = threading.Thread(target=ask)
        other.start()
        other.join()
    assert refused == [True]
    assert near(sqlite_store).version == 1


def test_a_fault_is_left_to_the_ordinary_way_to_name(tmp_path):
    damaged = tmp_path / "damaged.sqlite3"
    damaged.write_bytes(b"no database" * 1000)
    for file in (damaged, tmp_path / "absent.sqlite3"):
        with pytest.raises(NotNearby), Nearby(Path(file)).read() as connection:
            connection.exec_driver_sql("SELECT 1 FROM resources").all()
    assert not (tmp_path / "absent.sqlite3").exists()


def test_it_changes_nothing(sqlite_store):
    with pytest.raises(NotNearby), sqlite_store.read_nearby(SITE) as reading:
        reading.connection.exec_driver_sql("DELETE FROM resources")


def test_a_database_of_another_machine_is_asked_in_the_ordinary_way(postgresql_url):
    with closing(open_store(postgresql_url)) as store, pytest.raises(NotNearby), store.read_nearby(SITE):
        pass
