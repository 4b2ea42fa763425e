"""The faults that the suite injects, and what each run measured of them.

`python -m tests.durability.table` runs the tests and writes the table of docs/durability.md from what they measured.
"""

import json
import os
from collections.abc import Iterable
from pathlib import Path

from tests.durability.ward import sound_record

WHERE_MEASURED = "CLOSURE_READINGS_FAULTS"  # a file that one line a measurement is appended to
ENGINES = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}

FAULTS = {
    "service": "`kill -9` of the service under load, 3 writers",
    "one-of-two": "`kill -9` of one of two services on one database, 4 writers",
    "writer": "`kill -9` of a bare writer of the store",
    "load": "`kill -9` of `load`, then the same files again",
    "rebuild": "`kill -9` of `rebuild`, then again",
    "backup": "`kill -9` of `backup`; no file of the backup's name is half a backup",
    "copying": "`kill -9` of `copy`, then again",
    "copy-stopped": "a copy interrupted halfway",
    "database-process": "`kill -9` of the database's own process of one connection, 3 writers",
    "database-restart": "database stopped and started under 3 writers, every second time without a checkpoint "
    "(`immediate`, as when power fails)",
    "no-room": "no room for the database's file (the largest file size lowered on the running process), then room "
    "again, 3 writers",
    "no-room-for-log": "no room for the write-ahead log: the database stops itself; room made, database started, "
    "3 writers",
    "page-limit": "no room for the database (the engine's own page limit)",
    "one-course": "four writers of one course in two services, two of them with the same entries",
    "clock": "the clock jumps back by up to three days, and forth",
    "damage": "a page of the database overwritten: told, see below",
    "bit": "one bit of a stored reading turned on disk: told, see below",
    "upgrade": "the upgrade of an empty database killed after the 1st, 3rd, ... statement",
    "upgrade-of-readings": "the upgrade of a database with readings killed after the 1st, 3rd, ... statement",
    "backup-while-writing": "backup while a writer writes",
}


def engine_of(database_url: str) -> str:
    """The name of the engine at an address."""
    return ENGINES[database_url.partition(":")[0].partition("+")[0]]


def measured(fault: str, database_url: str, times: int, acknowledged: set[tuple[str, str]], site: str = "demo") -> int:
    """Look at what is there after a fault, write it down, and assert that nothing acknowledged is missing.

    `acknowledged`: course and entry. Returns how many entries are there, each once.
    """
    charted = sound_record(database_url, {course_id for course_id, _ in acknowledged}, site)
    write_down(fault, engine_of(database_url), times, len(acknowledged), acknowledged - charted)
    return len(charted)


def write_down(fault: str, engine: str, times: int, acknowledged: int, lost: Iterable[object] = ()) -> None:
    """One measurement, for the table where it is asked for; asserts that nothing was lost."""
    missing = list(lost)
    test = os.environ.get("PYTEST_CURRENT_TEST", "").partition("::")[0]
    row = {"fault": fault, "engine": engine, "times": times, "acknowledged": acknowledged, "lost": len(missing)}
    print(f"{FAULTS[fault]}, {engine}: {times} times, {acknowledged} acknowledged, {len(missing)} lost")
    if where := os.environ.get(WHERE_MEASURED):
        with Path(where).open("a", encoding="utf-8") as file:
            file.write(json.dumps(row | {"test": test}) + "\n")
    assert missing == []
