"""Stores of ten thousand to a million resources: rows as the service writes them, in the order of a ward.

Twenty courses are open at a time (an assumption, docs/performance.md): their writes come in turns, so that the rows of
one patient lie apart. Tables and indexes are the service's own.
"""

import random
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from itertools import chain
from typing import Any

from sqlalchemy import BigInteger, Boolean, Connection, Integer, LargeBinary, Table, select, update

from service.store.engines import engines
from service.store.statements import Statement, insertion
from service.store.tables import courses, identifiers, resources, site_clocks
from tests.bench.casts import CastRow, Mold, Row

_INSERT = {table.name: Statement(insertion(table)) for table in (courses, resources, identifiers)}
_OPEN = 20  # courses at a time; also courses a transaction
_APART = 1000  # microseconds between two writes
_TYPES = ((LargeBinary, "bytea"), (Boolean, "bool"), (BigInteger, "int8"), (Integer, "int4"))


class Filling:
    """A store that grows by casts of one course that the service recorded in it."""

    def __init__(self, database_url: str, site: str, course_id: str) -> None:
        self._writer, reader = engines(database_url, "OFF")
        reader.dispose()
        self._site = site
        with self._writer.connect() as connection:
            self.mold = _mold(connection, site, course_id)
        self.casts = 0

    def random_patients(self, times: int, seed: int = 7) -> list[str]:
        """Ids of Patients to ask for, seeded."""
        chosen = random.Random(seed)
        return [self.mold.patient(chosen.randrange(self.casts + 1)) for _ in range(times)]

    def fill(self, resources_in_all: int) -> None:
        """Cast courses until the store holds so many resources."""
        wanted = max(0, round(resources_in_all / len(self.mold)) - 1)
        while self.casts < wanted:
            first, self.casts = self.casts + 1, min(self.casts + _OPEN, wanted)
            with self._writer.begin() as connection:
                self._write(connection, range(first, self.casts + 1))
        if self._writer.dialect.name == "sqlite":
            _log_moved(str(self._writer.url.database))

    @property
    def version(self) -> str:
        """Of the database."""
        with self._writer.connect() as connection:
            return ".".join(map(str, connection.dialect.server_version_info or ()))

    def vacuum(self) -> None:
        """Statistics and maps of a PostgreSQL database as they stand, and its log in its tables."""
        with self._writer.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM (ANALYZE)")
            connection.exec_driver_sql("CHECKPOINT")

    def close(self) -> None:
        """Give back the connection."""
        self._writer.dispose()

    def _write(self, connection: Connection, numbers: Sequence[int]) -> None:
        here = site_clocks.c.site == self._site
        clock = connection.execute(select(site_clocks).where(here)).one()
        in_turns = chain.from_iterable(zip(*map(self.mold.writes_of, numbers), strict=True))
        written = list(_numbered(in_turns, clock.last_arrival, clock.last_updated))
        last = written[-1].resource
        _insert(connection, courses, [self.mold.course_of(number) for number in numbers])
        _insert(connection, resources, [row.resource for row in written])
        _insert(connection, identifiers, [each for row in written for each in row.identifiers])
        after = {"last_arrival": last["arrival"], "last_updated": last["last_updated"]}
        connection.execute(update(site_clocks).where(here).values(after))


def _numbered(writes: Iterator[list[CastRow]], arrival: int, last_updated: int) -> Iterator[CastRow]:
    """The rows with the numbers that the store gives out: arrival row by row, one instant for each write."""
    for write in writes:
        last_updated += _APART
        for row in write:
            arrival += 1
            row.resource.update(arrival=arrival, last_updated=last_updated)
            for each in row.identifiers:
                each["arrival"] = arrival
            yield row


def _mold(connection: Connection, site: str, course_id: str) -> Mold:
    (course,) = _rows(connection, courses, courses.c.course_id == course_id)
    mine = (resources.c.site == site) & (resources.c.patient == course["patient_id"])
    found = _rows(connection, resources, mine)
    arrivals = {(row["type"], row["arrival"]) for row in found}
    every = _rows(connection, identifiers, identifiers.c.site == site)
    return Mold(course, found, [row for row in every if (row["type"], row["arrival"]) in arrivals])


def _rows(connection: Connection, table: Table, where: Any) -> list[Row]:
    return [dict(row._mapping) for row in connection.execute(select(table).where(where))]


def _insert(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """The service's own statement; on PostgreSQL COPY, which brings the same rows in in a third of the time."""
    if connection.dialect.name != "postgresql":
        _INSERT[table.name].run_each(connection, rows)
        return
    names = [column.name for column in table.c]
    driver: Any = connection.connection.driver_connection
    with (
        driver.cursor() as cursor,
        cursor.copy(f"COPY {table.name} ({', '.join(names)}) FROM STDIN (FORMAT BINARY)") as copy,
    ):
        copy.set_types([_type_of(column.type) for column in table.c])
        for row in rows:
            copy.write_row([row[name] for name in names])


def _type_of(column_type: object) -> str:
    return next((name for kind, name in _TYPES if isinstance(column_type, kind)), "text")


def _log_moved(database: str) -> None:
    """The write-ahead log into the database, as the service's own thread does beside its writers."""
    with closing(sqlite3.connect(database, isolation_level=None)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
