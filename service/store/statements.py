"""Statements compiled once for each kind of database, then run with plain values.

SQLAlchemy takes longer to prepare a statement than SQLite to run it; a write of thirty resources has a dozen. The
statements are still written with SQLAlchemy, so that both databases get their own SQL from one source. On SQLite they
are run on the driver itself, within the transaction that SQLAlchemy has begun: what it adds is a multiple of what the
statement costs, and of its care for lost connections a file has no need. Errors leave as SQLAlchemy's on both.
"""

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from operator import itemgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, Executable, Insert, Table, bindparam, insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql import ClauseElement

Values = Mapping[str, Any]
DRIVER = "sqlite3"  # under which a connection's `info` holds the driver's own connection to SQLite

_LIST_SIZES = (1, 8, 32, 64, 128, 512)


class Statement:
    """One statement whose values are all named parameters."""

    def __init__(self, statement: Executable) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, _Given]] = {}

    def rows(self, connection: Connection, values: Values) -> Sequence[Any]:
        """Run a query; rows are to be read by place, and values come as the driver gives them."""
        sql, given = self._for(connection)
        driver = _driver(connection)
        if driver is None:
            return connection.exec_driver_sql(sql, given(values)).all()
        try:
            return driver.execute(sql, given(values)).fetchall()
        except sqlite3.Error as fault:
            raise _as_sqlalchemy(connection, sql, fault) from fault

    def run(self, connection: Connection, values: Values) -> None:
        """Run it once."""
        sql, given = self._for(connection)
        driver = _driver(connection)
        if driver is None:
            connection.exec_driver_sql(sql, given(values))
            return
        try:
            driver.execute(sql, given(values))
        except sqlite3.Error as fault:
            raise _as_sqlalchemy(connection, sql, fault) from fault

    def run_each(self, connection: Connection, rows: Iterable[Values]) -> None:
        """Run it for each of the rows; not at all where there is none."""
        sql, given = self._for(connection)
        all_given = [given(row) for row in rows]
        driver = _driver(connection)
        if not all_given:
            return
        if driver is None:
            connection.exec_driver_sql(sql, all_given)
            return
        try:
            driver.executemany(sql, all_given)
        except sqlite3.Error as fault:
            raise _as_sqlalchemy(connection, sql, fault) from fault

    def _for(self, connection: Connection) -> "tuple[str, _Given]":
        name = connection.dialect.name
        if name not in self._compiled:
            assert isinstance(self._statement, ClauseElement)
            compiled: Any = self._statement.compile(dialect=connection.dialect)
            self._compiled[name] = str(compiled), _in_order(compiled.positiontup) if compiled.positional else _as_named
        return self._compiled[name]


class ListStatement:
    """A query over a list of any length, in a few fixed sizes: a shorter list repeats its last element."""

    def __init__(self, statements: Mapping[int, Statement]) -> None:
        self._statements = statements

    def rows(self, connection: Connection, listed: Sequence[Any], values: Values, **beside: Sequence[Any]) -> list[Any]:
        """Rows of all elements; none for an empty list. `beside`: further lists, of the same length."""
        found: list[Any] = []
        for start in range(0, len(listed), _LIST_SIZES[-1]):
            given = dict(values)
            for name, whole in (("listed", listed), *beside.items()):
                some = whole[start : start + _LIST_SIZES[-1]]
                size = next(size for size in _LIST_SIZES if size >= len(some))
                padded = [*some, *([some[-1]] * (size - len(some)))]
                given |= zip(_names(name, size), padded, strict=True)
            found += self._statements[size].rows(connection, given)
        return found


def one_of_list(column: ColumnElement[Any], size: int, name: str = "listed") -> ColumnElement[bool]:
    """Condition of a ListStatement of one size; `name` tells its lists apart."""
    return column.in_([bindparam(each) for each in _names(name, size)])


@cache
def _names(name: str, size: int) -> tuple[str, ...]:
    return tuple(f"{name}_{n}" for n in range(size))


def list_sizes() -> tuple[int, ...]:
    """Sizes that a ListStatement needs."""
    return _LIST_SIZES


def insertion(table: Table) -> Insert:
    """Insert a whole row, each column a parameter of its own name."""
    return insert(table).values({column.name: bindparam(column.name) for column in table.c})


def _driver(connection: Connection) -> sqlite3.Connection | None:
    """The driver's connection where statements may go past SQLAlchemy: on SQLite, once it has begun a transaction."""
    if type(connection) is not Connection or not connection.in_transaction():
        return None
    found: sqlite3.Connection | None = connection.info.get(DRIVER)
    return found


def _as_sqlalchemy(connection: Connection, sql: str, fault: sqlite3.Error) -> BaseException:
    return DBAPIError.instance(sql, None, fault, sqlite3.Error, hide_parameters=True, dialect=connection.dialect)


_Given = Callable[[Values], Any]


def _in_order(names: Sequence[str]) -> _Given:
    """Values as a tuple, for a driver that takes them by position."""
    return itemgetter(*names) if len(names) > 1 else lambda values: (values[names[0]],)


def _as_named(values: Values) -> Values:
    return values
