"""Statements compiled once for each kind of database, then run with plain values.

SQLAlchemy takes longer to prepare a statement than SQLite to run it; a write of thirty resources has a dozen. The
statements are still written with SQLAlchemy, so that both databases get their own SQL from one source.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, Executable, Insert, Table, bindparam, insert
from sqlalchemy.sql import ClauseElement

Values = Mapping[str, Any]

_LIST_SIZES = (1, 8, 32, 128, 512)


class Statement:
    """One statement whose values are all named parameters."""

    def __init__(self, statement: Executable) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, _Given]] = {}

    def rows(self, connection: Connection, values: Values) -> Sequence[Any]:
        """Run a query; values come as the driver gives them."""
        sql, given = self._for(connection)
        return connection.exec_driver_sql(sql, given(values)).all()

    def run(self, connection: Connection, values: Values) -> None:
        """Run it once."""
        sql, given = self._for(connection)
        connection.exec_driver_sql(sql, given(values))

    def run_each(self, connection: Connection, rows: Iterable[Values]) -> None:
        """Run it for each of the rows; not at all where there is none."""
        sql, given = self._for(connection)
        all_given = [given(row) for row in rows]
        if all_given:
            connection.exec_driver_sql(sql, all_given)

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

    def rows(self, connection: Connection, listed: Sequence[Any], values: Values) -> list[Any]:
        """Rows of all elements; none for an empty list."""
        found: list[Any] = []
        for start in range(0, len(listed), _LIST_SIZES[-1]):
            some = listed[start : start + _LIST_SIZES[-1]]
            size = next(size for size in _LIST_SIZES if size >= len(some))
            padded = [*some, *([some[-1]] * (size - len(some)))]
            given = {**values, **{f"listed_{n}": each for n, each in enumerate(padded)}}
            found += self._statements[size].rows(connection, given)
        return found


def one_of_list(column: ColumnElement[Any], size: int) -> ColumnElement[bool]:
    """Condition of a ListStatement of one size."""
    return column.in_([bindparam(f"listed_{n}") for n in range(size)])


def list_sizes() -> tuple[int, ...]:
    """Sizes that a ListStatement needs."""
    return _LIST_SIZES


def insertion(table: Table) -> Insert:
    """Insert a whole row, each column a parameter of its own name."""
    return insert(table).values({column.name: bindparam(column.name) for column in table.c})


_Given = Callable[[Values], Any]


def _in_order(names: Sequence[str]) -> _Given:
    """Values as a tuple, for a driver that takes them by position."""
    return itemgetter(*names) if len(names) > 1 else lambda values: (values[names[0]],)


def _as_named(values: Values) -> Values:
    return values
