"""Reads by key on a database that is a file of this machine, done at once, on the thread that asks.

Handing such a read to a worker thread takes ten times as long as the read itself: a few pages of a file that the
machine holds in memory. It never waits: where the file is locked, is read by somebody else at this moment, or does not
answer as it should, `NotNearby` is raised, and the caller takes the ordinary way, in a thread, with its waiting times
and its words for what is wrong.
"""

import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

from sqlalchemy import Connection, Engine
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite

_CACHE_KIB = 16_384
_STATEMENTS = 64


class NotNearby(Exception):
    """Nothing is said about the data: ask in the ordinary way."""


class Nearby:
    """One connection for reads by key; made when it is first asked for, and again after a fault."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._lock = threading.Lock()
        self._connection: sqlite3.Connection | None = None

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection as far as a `Statement` needs one; each statement sees what is committed at its moment."""
        if not self._lock.acquire(blocking=False):
            raise NotNearby
        try:
            yield cast(Connection, _AsConnection(self._opened()))
        except sqlite3.Error as fault:
            self._give_up()
            raise NotNearby from fault
        except BaseException:
            self._give_up()
            raise
        finally:
            self._lock.release()

    def close(self) -> None:
        """Give the connection back."""
        with self._lock:
            self._give_up()

    def _opened(self) -> sqlite3.Connection:
        if self._connection is None:
            self._connection = sqlite3.connect(
                f"{self._database.absolute().as_uri()}?mode=rw",  # a file that is not there is not made
                uri=True,
                timeout=0,
                isolation_level=None,
                check_same_thread=False,
                cached_statements=_STATEMENTS,
            )
            for pragma in ("query_only=ON", f"cache_size=-{_CACHE_KIB}"):
                self._connection.execute(f"PRAGMA {pragma}")
        return self._connection

    def _give_up(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class _AsConnection:
    """What `Statement.rows` asks of a connection; rows are plain tuples."""

    dialect = SQLiteDialect_pysqlite(paramstyle="qmark")

    def __init__(self, near: sqlite3.Connection) -> None:
        self._near = near

    def exec_driver_sql(self, statement: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> "_Rows":
        """Run one query."""
        return _Rows(self._near.execute(statement, values).fetchall())


class _Rows:
    def __init__(self, rows: list[Any]) -> None:
        self._rows = rows

    def all(self) -> list[Any]:
        """Every row."""
        return self._rows


def nearby(engine: Engine) -> Nearby | None:
    """For the database of an engine; None where it is not a file of this machine."""
    return Nearby(Path(str(engine.url.database))) if engine.dialect.name == "sqlite" else None
