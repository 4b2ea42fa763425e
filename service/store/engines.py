"""Connections: one set for writing, one for reading, and the checkpoint kept out of the commit.

SQLite: write-ahead log, foreign keys on, `synchronous=FULL` so that a commit is on disk when it returns. Writers begin
with BEGIN IMMEDIATE, so that they wait at the start and never fail halfway. The log is moved into the database by a
thread of its own; done inside the commit, as SQLite does by itself, every thousandth page costs one writer a long wait.
"""

import logging
import sqlite3
import threading
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.pool import ConnectionPoolEntry

from service.store.errors import StoreError
from service.store.statements import DRIVER

BUSY_TIMEOUT_S = 30.0
SYNCHRONOUS = ("OFF", "NORMAL", "FULL", "EXTRA")
_PAGE_CACHE_KIB = 65_536
_GATHER_S = 0.25
_GIVE_WAY_S = 1.0
_LONG_LOG_PAGES = 16_384  # 32 MiB: short enough to be written over soon, long enough that few commits wait for it
_LOG_LAST_RESORT_PAGES = 262_144  # 1 GiB: should the thread have died, SQLite moves the log inside a commit

_log = logging.getLogger(__name__)


def engines(database_url: str, synchronous: str) -> tuple[Engine, Engine]:
    """Engine for writing and engine for reading. StoreError for an address or setting that cannot be used."""
    url = make_url(database_url)
    if synchronous.upper() not in SYNCHRONOUS:
        raise StoreError(f"synchronous is one of {', '.join(SYNCHRONOUS)}")
    if url.get_backend_name() == "sqlite":
        if not url.database or url.database == ":memory:":
            raise StoreError("the database must be a file: readings that were accepted must survive the process")
        return _sqlite(database_url, synchronous.upper(), writing=True), _sqlite(
            database_url, synchronous.upper(), writing=False
        )
    if url.get_backend_name() == "postgresql":
        return _postgresql(database_url), _postgresql(database_url)
    raise StoreError("the database is SQLite or PostgreSQL")


def _sqlite(database_url: str, synchronous: str, *, writing: bool) -> Engine:
    engine = create_engine(
        database_url,
        hide_parameters=True,  # an error's text may reach a log; what was charted must not
        connect_args={"timeout": BUSY_TIMEOUT_S, "check_same_thread": False, "cached_statements": 256},
        pool_size=1 if writing else 8,
        max_overflow=0 if writing else 32,
        pool_timeout=BUSY_TIMEOUT_S,
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: DBAPIConnection, record: ConnectionPoolEntry) -> None:
        raw: Any = connection
        record.info[DRIVER] = raw
        raw.isolation_level = None  # the driver begins no transaction of its own; `begin` below does
        for pragma in (
            "journal_mode=WAL",
            f"synchronous={synchronous}",
            "foreign_keys=ON",
            f"cache_size=-{_PAGE_CACHE_KIB}",
            "temp_store=MEMORY",
            f"wal_autocheckpoint={_LOG_LAST_RESORT_PAGES}",
        ):
            raw.execute(f"PRAGMA {pragma}")
        if not writing:
            raw.execute("PRAGMA query_only=ON")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _postgresql(database_url: str) -> Engine:
    url = make_url(database_url)
    if url.drivername == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    engine = create_engine(
        url, hide_parameters=True, pool_size=8, max_overflow=32, pool_timeout=BUSY_TIMEOUT_S, pool_pre_ping=True
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: DBAPIConnection, _record: ConnectionPoolEntry) -> None:
        # Another process may hang while it holds the row of a site; whoever waits is told so after the same time as on
        # SQLite. Not as an option of the connection, which a pool between may refuse.
        cursor = connection.cursor()
        cursor.execute(f"SET lock_timeout = {round(BUSY_TIMEOUT_S * 1000)}")
        cursor.close()
        connection.commit()

    return engine


class Checkpoints:
    """Moves SQLite's write-ahead log into the database beside the writers, until stopped.

    Most of it while writers go on; when the log is long, the rest while they wait for a moment, so that the next one
    begins the log anew. A commit that overwrites the log takes about half as long as one that lengthens the file.
    """

    def __init__(self, database: Path) -> None:
        self._database = database
        self._written = threading.Event()
        self._stop = threading.Event()
        self._way_is_free = threading.Event()
        self._way_is_free.set()
        self._thread = threading.Thread(target=self._run, name="checkpoints", daemon=True)
        self._thread.start()

    def give_way(self) -> None:
        """Called before a write: waits while the log is brought to its end, which writers would keep from happening."""
        self._way_is_free.wait(_GIVE_WAY_S)

    def written(self) -> None:
        """Called after a commit: there is something to move."""
        self._written.set()

    def stop(self) -> None:
        """End the thread and wait for it."""
        self._stop.set()
        self._written.set()
        self._thread.join()

    def _run(self) -> None:
        while self._written.wait():
            self._written.clear()  # before looking at `_stop`, or a stop in between would be waited for for ever
            if self._stop.wait(_GATHER_S):
                return
            try:
                self._move()
            except sqlite3.Error as error:
                # The readings are safe in the log; the next round tries again.
                _log.warning("checkpoint failed: %s", type(error).__name__)

    def _move(self) -> None:
        connection = sqlite3.connect(self._database, timeout=_GIVE_WAY_S, isolation_level=None)
        try:
            _, pages, _ = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
            if pages >= _LONG_LOG_PAGES:
                self._way_is_free.clear()
                connection.execute("PRAGMA wal_checkpoint(RESTART)")
        finally:
            self._way_is_free.set()
            connection.close()
