"""Each fault of the database has one error with a message in plain words, and nothing is half written."""

import sqlite3
import threading
from types import SimpleNamespace

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from service.store import (
    SchemaError,
    StoreBusyError,
    StoreCorruptedError,
    StoreError,
    StoreFullError,
    StoreUnavailableError,
    engines,
    open_store,
)
from service.store.errors import store_error
from tests.durability.faults import write_down
from tests.store.samples import NOON, SITE, course, draft, later, observation, save


def test_a_full_disk_refuses_the_write_and_keeps_what_was_there(sqlite_store):
    save(sqlite_store, observation(1))
    with sqlite_store._writer.connect() as connection:  # the engine's own limit stands for the disk's
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages + 3}")
    with pytest.raises(StoreFullError, match="no room"):
        save(sqlite_store, *(observation(number) for number in range(2, 200)), now=later(1))
    with sqlite_store.read(SITE) as reading:
        assert reading.resource("Observation", "p-1-o-1").version == 1
        assert reading.resource("Observation", "p-1-o-2") is None
    with sqlite_store._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=1000000")
    assert save(sqlite_store, observation(2), now=later(2))[0].version == 1
    write_down("page-limit", "SQLite", 1, 1)


@pytest.mark.parametrize(
    ("state", "function", "severity", "kind"),
    [
        ("53100", "mdextend", "ERROR", StoreFullError),  # ENOSPC has a number of its own
        ("XX000", "mdzeroextend", "ERROR", StoreFullError),  # EDQUOT and EFBIG have none
        ("XX000", "XLogWrite", "PANIC", StoreFullError),
        ("XX000", "ProcKill", "PANIC", StoreUnavailableError),
        ("XX000", "ExecModifyTable", "ERROR", StoreError),
        ("58030", "mdreadv", "ERROR", StoreUnavailableError),
        ("58P01", "mdopenfork", "ERROR", StoreCorruptedError),
        ("XX001", "buffer_readv_complete", "ERROR", StoreCorruptedError),
        ("25006", "PreventCommandIfReadOnly", "ERROR", StoreUnavailableError),
    ],
)
def test_what_postgresql_has_no_number_for_is_told_by_where_it_happened(state, function, severity, kind):
    """Numbers: https://www.postgresql.org/docs/current/errcodes-appendix.html; functions as seen of version 18."""
    origin = Exception()
    origin.sqlstate = state
    origin.diag = SimpleNamespace(source_function=function, severity_nonlocalized=severity)
    assert type(store_error(DBAPIError("", {}, origin))) is kind


def test_a_writer_that_waits_too_long_is_told_so(store, database_url, monkeypatch):
    save(store, observation(9))  # from now on the site has a row to wait for
    monkeypatch.setattr(engines, "BUSY_TIMEOUT_S", 0.2)
    impatient = open_store(database_url)
    with store.write(SITE, NOON) as unit:
        unit.add_course(course())
        with pytest.raises(StoreBusyError, match="busy"):
            save(impatient, observation(1))
    save(impatient, observation(1), now=later(1))
    impatient.close()


def test_reading_does_not_wait_for_a_writer(sqlite_store):
    save(sqlite_store, observation(1))
    with sqlite_store.write(SITE, later(1)) as unit:
        unit.save_resources([draft(observation(1, status="amended"))])
        with sqlite_store.read(SITE) as reading:
            assert reading.resource("Observation", "p-1-o-1").version == 1


def test_a_reading_sees_one_state_while_others_write(store):
    save(store, observation(1))
    with store.read(SITE) as reading:
        assert reading.resource("Observation", "p-1-o-1").version == 1
        save(store, observation(1, status="amended"), now=later(1))
        assert reading.resource("Observation", "p-1-o-1").version == 1


def test_threads_that_write_take_turns(store):
    failures = []

    def write(number: int) -> None:
        try:
            for turn in range(5):
                save(store, observation(0, note=[{"text": f"{number}/{turn}"}]))
        except StoreError as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with store.read(SITE) as reading:
        assert reading.resource("Observation", "p-1-o-0").version == 30


@pytest.mark.parametrize("damage", ["not a database", "pages overwritten"])
def test_a_damaged_file_is_called_so(tmp_path, damage):
    file = tmp_path / "readings.sqlite3"
    store = open_store(f"sqlite:///{file}")
    store.migrate()
    save(store, *(observation(number) for number in range(300)))
    store.close()
    whole = file.read_bytes()
    overwritten = whole[:4096] + b"\xff" * (len(whole) - 4096)
    file.write_bytes(b"not a database at all" * 500 if damage == "not a database" else overwritten)
    store = open_store(f"sqlite:///{file}")
    with pytest.raises(StoreCorruptedError, match="damaged"), store.read(SITE) as reading:
        reading.resource("Observation", "p-1-o-1")
    with pytest.raises(StoreCorruptedError, match="damaged"):
        save(store, observation(1, status="amended"))
    store.close()


def test_a_folder_that_is_not_there_is_unavailable(tmp_path):
    store = open_store(f"sqlite:///{tmp_path / 'missing' / 'readings.sqlite3'}")
    with pytest.raises(StoreUnavailableError):
        store.migrate()
    store.close()


def test_a_server_that_does_not_answer_is_unavailable():
    store = open_store("postgresql://nobody@127.0.0.1:1/none")
    with pytest.raises(StoreUnavailableError):
        store.migrate()
    store.close()


def test_tables_that_are_missing_are_called_so(database_url):
    store = open_store(database_url)
    with pytest.raises(SchemaError), store.read(SITE) as reading:
        reading.course("c-1")
    store.close()


@pytest.mark.parametrize("address", ["sqlite://", "sqlite:///:memory:", "mysql://x/y"])
def test_an_address_that_would_lose_readings_or_is_unknown_is_refused(address):
    with pytest.raises(StoreError):
        open_store(address)


def test_an_unknown_way_of_synchronising_is_refused(tmp_path):
    with pytest.raises(StoreError, match="FULL"):
        open_store(f"sqlite:///{tmp_path / 'x'}", synchronous="SOMETIMES")


@pytest.mark.parametrize(("setting", "number"), [("FULL", 2), ("NORMAL", 1)])
def test_sqlite_is_set_up_to_keep_what_it_acknowledges(tmp_path, setting, number):
    store = open_store(f"sqlite:///{tmp_path / 'readings.sqlite3'}", synchronous=setting)
    with store._writer.connect() as connection:
        asked = ("synchronous", "journal_mode", "foreign_keys")
        found = [connection.exec_driver_sql(f"PRAGMA {each}").scalar_one() for each in asked]
    assert found == [number, "wal", 1]
    store.close()


def test_an_entry_of_no_course_is_refused(store):
    from tests.store.samples import entry

    with pytest.raises(StoreError), store.write(SITE, NOON) as unit:
        unit.add_entries("nowhere", [entry("e-1")])


def test_messages_hold_no_value_of_a_row(store):
    with store.write(SITE, NOON) as unit:
        unit.add_course(course(patient_value="secret-mrn"))
    with pytest.raises(StoreError) as caught, store.write(SITE, NOON) as unit:
        unit.add_course(course(patient_value="secret-mrn"))
    assert "secret-mrn" not in str(caught.value)


def test_a_constraint_is_no_reason_to_try_again():
    engine = create_engine("sqlite://")
    with engine.connect() as connection:
        connection.execute(text("CREATE TABLE t (a INTEGER PRIMARY KEY)"))
        connection.execute(text("INSERT INTO t VALUES (1)"))
        with pytest.raises(DBAPIError) as caught:
            connection.execute(text("INSERT INTO t VALUES (1)"))
    engine.dispose()
    assert type(store_error(caught.value)) is StoreError


def test_the_log_is_moved_beside_the_writers(tmp_path, monkeypatch):
    monkeypatch.setattr(engines, "_GATHER_S", 0.01)
    monkeypatch.setattr(engines, "_LONG_LOG_PAGES", 50)
    file = tmp_path / "readings.sqlite3"
    store = open_store(f"sqlite:///{file}")
    store.migrate()
    for minute in range(150):
        note = [{"text": f"{minute} " + "x" * 500}]
        save(store, *(observation(number, note=note) for number in range(30)), now=later(minute))
    assert file.stat().st_size > 1_000_000  # the readings are in the database itself
    assert file.with_name(file.name + "-wal").stat().st_size < 8_000_000  # of about 30 MB written
    store.close()
    assert sqlite3.connect(file).execute("PRAGMA integrity_check").fetchone() == ("ok",)
