"""Moving everything from one database to another, SQLite or PostgreSQL, in one transaction of the target.

Before anything is copied the target is marked as no database to be served. Rows go over in batches, so that memory does
not grow with the database; then they are read back and counts and digests compared; with the commit the mark goes. An
interrupted copy leaves empty tables and the mark, and can be started again.
"""

from collections.abc import Callable, Iterator, Sequence
from hashlib import sha256
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Table, func, insert, inspect, select, text

import service.store.delivery_tables  # imported for the tables that it adds to the metadata
import service.store.export_tables
import service.store.subscription_tables  # noqa: F401 - as the lines above
from service.store.access_tables import clients
from service.store.engines import engines
from service.store.errors import SchemaError, StoreError, translated
from service.store.schema import COPYING, current_revision, expected_revision, mark, upgrade

ROWS_AT_ONCE = 500
_DIGEST_SIZE = 2**256

Progress = Callable[[str, int, int], None]  # table, rows done, rows in all


class Tally(NamedTuple):
    """How many rows a table has, and the sum of their digests, whatever their order."""

    rows: int
    digest: str


def copy_database(source_url: str, target_url: str, progress: Progress = lambda *_: None) -> dict[str, Tally]:
    """Copy all tables and return what was copied of each.

    SchemaError when the source has not this version's tables; StoreError when the target is not empty or does not
    hold the same afterwards. The source is read in one state; what is written to it meanwhile is not copied.
    """
    if source_url == target_url:
        raise StoreError("source and target are the same database")
    (source_writer, source), (target, target_reader) = engines(source_url, "FULL"), engines(target_url, "FULL")
    try:
        with translated(), _one_state(source) as reading:
            _check_source(reading)
            _prepare(target)
            with target.begin() as writing:
                return _copy_all(reading, writing, progress)
    finally:
        for engine in (source_writer, source, target, target_reader):
            engine.dispose()


def tables() -> list[Table]:
    """Every table, those referred to before those that refer."""
    return list(clients.metadata.sorted_tables)  # the tables of access share the metadata with all others


def tally(connection: Connection, table: Table) -> Tally:
    """Count and digest of a table as it stands."""
    count, total = 0, 0
    for rows in _batches(connection, table):
        count += len(rows)
        total += sum(map(_row_digest, rows))
    return _tally(count, total)


def _one_state(source: Engine) -> Connection:
    if source.dialect.name == "postgresql":
        source = source.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    return source.connect()


def _check_source(reading: Connection) -> None:
    found = current_revision(reading)
    if found != expected_revision():
        raise SchemaError("the source has not the tables of this version: start the service on it once")
    unknown = set(inspect(reading).get_table_names()) - {table.name for table in tables()} - {"alembic_version"}
    if unknown and reading.dialect.name == "postgresql":  # parts of a table are read through it
        unknown -= set(reading.execute(text("SELECT relname FROM pg_class WHERE relispartition")).scalars())
    if unknown:
        raise SchemaError(f"the source has tables that would be left behind: {', '.join(sorted(unknown))}")


def _prepare(target: Engine) -> None:
    """Make the tables, see that they are empty, and mark the target."""
    with target.connect() as connection:
        interrupted = current_revision(connection) == COPYING
    if not interrupted:
        upgrade(target)
    with target.begin() as connection:
        if not interrupted:
            mark(connection, COPYING)
        for table in tables():
            if connection.execute(select(table).limit(1)).first() is not None:
                raise StoreError("the target is not empty; a copy goes into a new database only")


def _copy_all(reading: Connection, writing: Connection, progress: Progress) -> dict[str, Tally]:
    copied = {table.name: _copy_table(reading, writing, table, progress) for table in tables()}
    for table in tables():
        found = tally(writing, table)
        if found != copied[table.name]:
            raise StoreError(f"the copy of {table.name} is not what was read; nothing was kept")
    if writing.dialect.name == "postgresql":
        _set_sequences(writing)
        writing.execute(text("ANALYZE"))  # or it would plan its first statements as for tables that are empty
    mark(writing, expected_revision())
    return copied


def _copy_table(reading: Connection, writing: Connection, table: Table, progress: Progress) -> Tally:
    in_all = reading.execute(select(func.count()).select_from(table)).scalar_one()
    count, total = 0, 0
    names = [column.name for column in table.c]
    progress(table.name, 0, in_all)
    for rows in _batches(reading, table):
        writing.execute(insert(table), [dict(zip(names, row, strict=True)) for row in rows])
        count += len(rows)
        total += sum(map(_row_digest, rows))
        progress(table.name, count, in_all)
    return _tally(count, total)


def _batches(connection: Connection, table: Table) -> Iterator[Sequence[Any]]:
    wanted = select(table).execution_options(stream_results=True, yield_per=ROWS_AT_ONCE)
    yield from connection.execute(wanted).partitions(ROWS_AT_ONCE)


def _row_digest(row: Sequence[Any]) -> int:
    """SHA-256 over the values with their kinds and lengths, the same from every engine."""
    digest = sha256()
    for value in row:
        kind, raw = _plain(value)
        digest.update(b"%s%d:" % (kind, len(raw)))
        digest.update(raw)
    return int.from_bytes(digest.digest(), "big")


def _plain(value: Any) -> tuple[bytes, bytes]:
    match value:
        case None:
            return b"-", b""
        case bytes() | bytearray() | memoryview():
            return b"b", bytes(value)
        case str():
            return b"s", value.encode("utf-8", "surrogatepass")
        case bool() | int():
            return b"n", b"%d" % int(value)
    raise StoreError(f"a column of {type(value).__name__} has no digest here")


def _tally(count: int, total: int) -> Tally:
    return Tally(count, f"{total % _DIGEST_SIZE:064x}")


def _set_sequences(connection: Connection) -> None:
    """Let numbers that PostgreSQL gives out itself go on behind the highest copied one."""
    for table in tables():
        for column in table.primary_key:
            asked = {"table": table.name, "column": column.name}
            sequence = connection.execute(text("SELECT pg_get_serial_sequence(:table, :column)"), asked).scalar()
            highest = connection.execute(select(func.max(column))).scalar() if sequence else None
            if highest is not None:
                connection.execute(
                    text("SELECT setval(:sequence, :highest)"), {"sequence": sequence, "highest": highest}
                )
