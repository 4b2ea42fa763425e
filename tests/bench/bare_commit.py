"""What goal 3 cannot go below: the rows of a check written by SQLite's driver alone, each check in one commit.

The statements that a check writes are noted once; then they are run again on a copy of the database, with the same
settings and nothing around them: no reading, no projection, no validation.
"""

import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import event

from service.config import Settings
from service.store.statements import DRIVER
from service.workflow import open_workflow
from tests.bench.readings import NOW, Ward, as_read

SETTINGS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "cache_size=-65536", "wal_autocheckpoint=262144")


class Noted(NamedTuple):
    """A statement that writes: once with these values, or for each of many."""

    sql: str
    values: Any
    many: bool


class _Noting:
    """In the place of the driver's connection: what writes is noted and run."""

    def __init__(self, driver: sqlite3.Connection, notes: list[Noted]) -> None:
        self._driver, self._notes = driver, notes

    def execute(self, sql: str, values: Any) -> sqlite3.Cursor:
        if not sql.startswith("SELECT"):
            self._notes.append(Noted(sql, values, False))
        return self._driver.execute(sql, values)

    def executemany(self, sql: str, values: Sequence[Any]) -> sqlite3.Cursor:
        self._notes.append(Noted(sql, values, True))
        return self._driver.executemany(sql, values)


class BareCommits:
    """Checks of one course as bare commits, to be run one after the other from the first on."""

    def __init__(self, folder: Path, checks: int) -> None:
        """Notes the checks on a database of its own in the folder."""
        first, copy = folder / "noted.sqlite3", folder / "bare.sqlite3"
        url, ward = f"sqlite:///{first}", Ward("bare")
        workflow = open_workflow(Settings(database_url=url))
        workflow.record_course(as_read(ward.document(0)), NOW)
        workflow.close()
        shutil.copy(first, copy)
        self.checks = _noted(url, ward, checks)
        self._driver = sqlite3.connect(copy, isolation_level=None)
        for setting in SETTINGS:
            self._driver.execute(f"PRAGMA {setting}").fetchall()

    def commit(self, number: int) -> None:
        """The writes of one check in one transaction that is on disk when this returns."""
        self._driver.execute("BEGIN IMMEDIATE")
        for sql, values, many in self.checks[number]:
            if many:
                self._driver.executemany(sql, values)
            else:
                self._driver.execute(sql, values).fetchall()
        self._driver.execute("COMMIT")

    def close(self) -> None:
        """Give the database back."""
        self._driver.close()


def _noted(url: str, ward: Ward, checks: int) -> list[list[Noted]]:
    workflow = open_workflow(Settings(database_url=url))
    notes: list[Noted] = []

    @event.listens_for(workflow.store._writer, "checkout")
    def note(driver: Any, record: Any, _proxy: Any) -> None:
        record.info[DRIVER] = _Noting(driver, notes)

    found = []
    for number in range(checks):
        notes.clear()
        workflow.record_entries(ward.course_id, as_read(ward.check(number)), NOW)
        found.append(list(notes))
    workflow.close()
    return found
