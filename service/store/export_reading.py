"""The database as exports use it: one snapshot for a whole export, read in chunks, on connections of their own.

The instant of a snapshot is one before which nothing can appear later: the clocks of the sites are put forward to now
in a write, whose lock every writer of the site waits for, and only then is the snapshot taken. Whoever asks next for
what changed after that instant misses nothing.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, and_, bindparam, event, exists, or_, select, update
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service.search.query import Query
from service.store.access import AccessDatabase
from service.store.conditions import Conditions
from service.store.engines import engines
from service.store.errors import translated
from service.store.export_tables import export_group_members
from service.store.tables import deletions, resources, site_clocks
from service.store.token_sets import TokenSets

CHUNK = 500  # rows
_MILLISECOND = 1000
_SMALL_CACHE = "PRAGMA cache_size=-2048"  # KiB; each page is read once, and the cache would grow with the database
_r, _m, _d, _k = resources.c, export_group_members.c, deletions.c, site_clocks.c


class ExportRow(NamedTuple):
    """A current resource; `patient` is the id of the Patient it belongs to, empty for nobody."""

    id: str
    patient: str
    body: bytes


class Wanted(NamedTuple):
    """Which resources of one type of a site. `since`: strictly later, in microseconds."""

    type: str
    since: int | None = None
    group_id: str | None = None
    of_patients_only: bool = True
    filters: Sequence[Query] = ()  # any of them; no filter: all


class ExportReading:
    """What can be read within one snapshot."""

    def __init__(self, connection: Connection, transaction_at: int) -> None:
        self._connection = connection
        self.transaction_at = transaction_at

    def chunks(self, site: str, wanted: Wanted) -> Iterator[list[ExportRow]]:
        """The rows in order of arrival, some hundred at a time."""
        is_patient = wanted.type == "Patient"
        for rows in self._in_order(site, wanted, _r.id, _r.patient, _r.body):
            yield [ExportRow(id_, id_ if is_patient else patient, body) for _, id_, patient, body in rows]

    def bodies(self, site: str, wanted: Wanted) -> Iterator[list[bytes]]:
        """The same, where nothing but the bodies is asked for."""
        for rows in self._in_order(site, wanted, _r.body):
            yield [body for _, body in rows]

    def _in_order(self, site: str, wanted: Wanted, *columns: ColumnElement[Any]) -> Iterator[Sequence[Any]]:
        """Rows of arrival and of these columns; each chunk begins after the last, so that none is sorted whole."""
        later = (*self._where(site, wanted), _r.arrival > bindparam("last"))
        chunk = select(_r.arrival, *columns).where(*later).order_by(_r.arrival).limit(CHUNK)
        last = 0
        while True:
            rows = self._connection.execute(chunk, {"last": last}).all()
            if rows:
                yield rows
            if len(rows) < CHUNK:
                return
            last = rows[-1][0]

    def deleted(self, site: str, types: Sequence[str], since: int) -> Iterator[tuple[str, str]]:
        """Type and id of what an operator purged after `since`."""
        where = (_d.site == site, _d.last_updated > since, _d.type.in_(types))
        yield from (tuple(row) for row in self._connection.execute(select(_d.type, _d.id).where(*where)))

    def _where(self, site: str, wanted: Wanted) -> list[ColumnElement[bool]]:
        whose = _r.id if wanted.type == "Patient" else _r.patient
        where: list[ColumnElement[bool]] = [_r.site == site, _r.type == wanted.type]
        if wanted.of_patients_only:
            where.append(whose != "")
        later: list[ColumnElement[bool]] = [] if wanted.since is None else [_r.last_updated > wanted.since]
        if wanted.group_id is not None:
            member = (_m.site == site, _m.group_id == wanted.group_id, _m.patient == whose)
            where.append(exists(select(_m.patient).where(*member)))
            if wanted.since is not None:  # who came into the group later comes with the whole record
                later.append(exists(select(_m.patient).where(*member, _m.added_at > wanted.since)))
        if later:
            where.append(or_(*later))
        if wanted.filters:
            where.append(or_(*(self._condition(site, query) for query in wanted.filters)))
        return where

    def _condition(self, site: str, query: Query) -> ColumnElement[bool]:
        return and_(*Conditions(self._connection, site, TokenSets(site), query).all())


class ExportDatabase(AccessDatabase):
    """Connections of exports: a snapshot that is held for minutes takes none from the wards."""

    @contextmanager
    def snapshot(self, sites: Sequence[str], now: int) -> Iterator[ExportReading]:
        """One state of the database for all of these sites. `now` in microseconds."""
        for site in sites:
            self._put_forward(site, now // _MILLISECOND * _MILLISECOND)
        with translated(), self._reader.connect() as connection:
            if connection.dialect.name == "postgresql":
                connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
                event.listen(connection, "before_cursor_execute", _as_it_is)
            else:
                connection.exec_driver_sql(_SMALL_CACHE)
            clocks = select(_k.last_updated).where(_k.site.in_(sites))
            yield ExportReading(connection, min(connection.scalars(clocks), default=0))

    def _put_forward(self, site: str, now: int) -> None:
        """Lock the site's clock and set it to now, where it is behind; every later write gets a later instant."""
        with self.write() as connection:
            fresh = insert_sqlite if connection.dialect.name == "sqlite" else insert_postgresql
            start = {"site": site, "last_updated": 0, "last_arrival": 0, "last_token_set": 0}
            connection.execute(fresh(site_clocks).values(start).on_conflict_do_nothing())
            behind = update(site_clocks).where(_k.site == site, _k.last_updated < now)
            connection.execute(behind.values(last_updated=now))


def _as_it_is(_connection: Connection, cursor: Any, *_: Any) -> None:
    """Values cross as they are; as text a body is twice as long, in hexadecimal."""
    from psycopg.pq import Format  # a service on SQLite does without that library

    cursor.format = Format.BINARY


def open_export_database(database_url: str, synchronous: str = "FULL") -> ExportDatabase:
    """Open the database of the store, migrated already. StoreError for an unusable address."""
    return ExportDatabase(*engines(database_url, synchronous))
