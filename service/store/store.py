"""The store: opened once, written one unit at a time a site, read by many at once."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, select, text

from service.store.audit import witness
from service.store.engines import Checkpoints, engines
from service.store.errors import translated
from service.store.nearby import NotNearby, nearby
from service.store.reading import Reading
from service.store.schema import current_revision, refuse_other_tables, upgrade
from service.store.tables import courses
from service.store.token_sets import TokenSets
from service.store.writing import WriteUnit


class Store:
    """Readings and resources of all sites in one database."""

    def __init__(self, writer: Engine, reader: Engine) -> None:
        self._writer = writer
        self._reader = reader
        self._token_sets: dict[str, TokenSets] = {}
        self._lock = threading.Lock()
        self._checkpoints: Checkpoints | None = None
        self._nearby = nearby(reader)

    def migrate(self) -> None:
        """Bring the tables to this version; several processes may do so at once. StoreError as for writing."""
        with translated():
            upgrade(self._writer)
        self._start_checkpoints()

    def ready(self) -> None:
        """Return when the database answers and has this version's tables; StoreError with the reason otherwise."""
        with translated(), self._reader.connect() as connection:
            connection.execute(text("SELECT 1"))
            found = current_revision(connection)
        refuse_other_tables(found)
        self._start_checkpoints()

    def sites_with_resets(self, before: int) -> list[str]:
        """Sites with a reset due before an instant (microseconds) that is not yet shown as overdue; names, no data."""
        late = select(courses.c.site).where(courses.c.due_at < before, courses.c.overdue_shown.is_(False)).distinct()
        with translated(), self._reader.connect() as connection:
            return sorted(connection.scalars(late))

    def close(self) -> None:
        """Give back every connection."""
        if self._checkpoints:
            self._checkpoints.stop()
            self._checkpoints = None
        if self._nearby:
            self._nearby.close()
        self._reader.dispose()
        self._writer.dispose()

    @contextmanager
    def write(self, site: str, now: datetime) -> Iterator[WriteUnit]:
        """One write of one site: on disk as a whole when the block ends, without a trace when it raises.

        Writers of a site come one after the other. Raises StoreBusyError, StoreFullError, StoreUnavailableError,
        StoreCorruptedError, SchemaError or DraftError.
        """
        if self._checkpoints:
            self._checkpoints.give_way()
        with translated():
            with self._writer.begin() as connection:
                unit = WriteUnit(connection, site, now, self._sets(site))
                yield unit
                if witnessed := witness.get():
                    witnessed(unit)
                unit.finish()
            unit.committed()
            if self._checkpoints:
                self._checkpoints.written()

    @contextmanager
    def read(self, site: str) -> Iterator[Reading]:
        """Read one site; everything within the block is of one state of the database."""
        with translated(), self._snapshot() as connection:
            yield Reading(connection, site, self._sets(site))

    @contextmanager
    def read_nearby(self, site: str) -> Iterator[Reading]:
        """For one read by key that does not wait, on the thread that serves requests; may raise NotNearby."""
        if self._nearby is None:
            raise NotNearby
        with self._nearby.read() as connection:
            yield Reading(connection, site, self._sets(site))

    @contextmanager
    def _snapshot(self) -> Iterator[Connection]:
        with self._reader.connect() as connection:
            if connection.dialect.name == "postgresql":
                connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            yield connection

    def _sets(self, site: str) -> TokenSets:
        known = self._token_sets.get(site)
        if known is None:
            with self._lock:
                known = self._token_sets.setdefault(site, TokenSets(site))
        return known

    def _start_checkpoints(self) -> None:
        with self._lock:
            if self._checkpoints is None and self._writer.dialect.name == "sqlite":
                self._checkpoints = Checkpoints(Path(str(self._writer.url.database)))


def migrate_database(database_url: str, synchronous: str = "FULL") -> None:
    """Bring the tables of a database to this version; StoreError as `Store.migrate`."""
    store = open_store(database_url, synchronous)
    try:
        store.migrate()
    finally:
        store.close()


def open_store(database_url: str, synchronous: str = "FULL") -> Store:
    """Open a database, `sqlite:///file` or `postgresql://...`; nothing is read or written yet.

    `synchronous` is SQLite's: FULL means that an answer of success is on disk. StoreError for an unusable address.
    """
    return Store(*engines(database_url, synchronous))
