"""Backup while others write, restoring where nothing is, damage named; PostgreSQL by its own tools."""

import os
import sqlite3
import stat
import threading
from pathlib import Path

import pytest

from service.store import StoreCorruptedError, StoreError, StoreUnavailableError, open_store
from service.store.backups import back_up, damage_of, is_current, restore
from tests.durability.faults import write_down
from tests.store.samples import NOON, SITE, course, draft, entry, later, observation, save
from tests.store.test_copying import filled, rows_of


def test_a_backup_taken_while_others_write_is_one_state_and_restores_as_it_was(tmp_path):
    url = f"sqlite:///{tmp_path / 'served.sqlite3'}"
    store = open_store(url)
    store.migrate()
    stop = threading.Event()

    def write() -> None:
        number = 0
        with store.write(SITE, NOON) as unit:
            unit.add_course(course())
        while not stop.is_set():
            number += 1
            with store.write(SITE, NOON) as unit:  # an entry and its resource in one commit
                unit.add_entries("c-1", [entry(f"e-{number}")])
                unit.save_resources([draft(observation(number, note=[{"text": "x" * 5000}]), "c-1", f"e-{number}")])

    writer = threading.Thread(target=write)
    writer.start()
    backups = []
    for number in range(8):
        backups.append(back_up(url, tmp_path / f"backup-{number}"))
        stop.wait(0.05)
    stop.set()
    writer.join()
    store.close()
    assert [one.entries for one in backups] == sorted(one.entries for one in backups)
    assert backups[-1].entries > backups[0].entries
    for number, copied in enumerate(backups):
        restored = f"sqlite:///{tmp_path / f'restored-{number}.sqlite3'}"
        again = restore(copied.path, restored)
        assert is_current(again)
        found = rows_of(restored)
        assert len(found["entries"]) == len(found["resources"]) == copied.entries
    assert list(tmp_path.glob("*.partial")) == []
    write_down("backup-while-writing", "SQLite", len(backups), backups[-1].entries)


def test_a_restored_database_is_the_one_that_was_backed_up_and_goes_on(tmp_path):
    url = filled(f"sqlite:///{tmp_path / 'served.sqlite3'}")
    copied = back_up(url, tmp_path / "backup")
    restored = f"sqlite:///{tmp_path / 'restored.sqlite3'}"
    restore(tmp_path / "backup", restored)
    assert rows_of(restored) == rows_of(url)
    store = open_store(restored)
    store.migrate()
    assert save(store, observation(1, status="amended"), now=later(5))[0].version == 3
    store.close()
    assert (copied.courses, copied.size) == (2, (tmp_path / "backup").stat().st_size)


def test_a_backup_is_one_file_that_its_owner_alone_can_read(tmp_path):
    url = filled(f"sqlite:///{tmp_path / 'served.sqlite3'}")
    before = os.umask(0)
    try:
        copied = back_up(url, tmp_path / "backup")
    finally:
        os.umask(before)
    assert stat.S_IMODE(copied.path.stat().st_mode) == 0o600
    assert not list(tmp_path.glob("backup-*"))


def test_nothing_is_overwritten(tmp_path):
    url = filled(f"sqlite:///{tmp_path / 'served.sqlite3'}")
    back_up(url, tmp_path / "backup")
    before = (tmp_path / "backup").read_bytes()
    with pytest.raises(StoreError, match="already"):
        back_up(url, tmp_path / "backup")
    with pytest.raises(StoreError, match="already"):
        restore(tmp_path / "backup", url)
    (tmp_path / "elsewhere.sqlite3-wal").write_bytes(b"the log of a database that was moved away")
    with pytest.raises(StoreError, match="sqlite3-wal is there"):
        restore(tmp_path / "backup", f"sqlite:///{tmp_path / 'elsewhere.sqlite3'}")
    assert (tmp_path / "backup").read_bytes() == before


def test_of_a_missing_database_or_folder_no_backup_is_made(tmp_path):
    with pytest.raises(StoreUnavailableError):
        back_up(f"sqlite:///{tmp_path / 'none.sqlite3'}", tmp_path / "backup")
    url = filled(f"sqlite:///{tmp_path / 'served.sqlite3'}")
    with pytest.raises(StoreUnavailableError):
        back_up(url, tmp_path / "no-such-folder" / "backup")
    assert not (tmp_path / "backup").exists()
    with pytest.raises(StoreError, match="pg_dump"):
        back_up("postgresql://host/base", tmp_path / "backup")


def damaged(path: Path) -> Path:
    """Overwrite a page in the middle, as a failing disk may."""
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'resources'").fetchone()[0]
        size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xa5" * size)
    return path


def test_a_damaged_page_is_found_and_never_becomes_a_backup(tmp_path):
    url = filled(f"sqlite:///{tmp_path / 'served.sqlite3'}")
    assert damage_of(url) == []
    back_up(url, tmp_path / "good")
    damaged(tmp_path / "served.sqlite3")
    assert damage_of(url)
    with pytest.raises(StoreCorruptedError, match="damaged"):
        back_up(url, tmp_path / "bad")
    assert not (tmp_path / "bad").exists()
    damaged(tmp_path / "good")
    with pytest.raises(StoreCorruptedError, match="damaged"):
        restore(tmp_path / "good", f"sqlite:///{tmp_path / 'restored.sqlite3'}")
    assert not (tmp_path / "restored.sqlite3").exists()


def test_a_file_that_is_no_database_of_ours_is_refused(tmp_path):
    (tmp_path / "letter").write_bytes(b"Dear colleague, " * 1000)
    sqlite3.connect(tmp_path / "other").execute("CREATE TABLE t (a)").connection.close()
    for name in ("letter", "other"):
        with pytest.raises(StoreError, match=r"no database"):
            restore(tmp_path / name, f"sqlite:///{tmp_path / 'restored.sqlite3'}")
    assert list(tmp_path.glob("restored*")) == []
