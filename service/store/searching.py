"""A parsed query as statements: first the rows in order, then their bodies.

Order and paging go by (key, arrival), so that a row that arrives meanwhile moves no other onto a page twice or past it.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, bindparam, func, literal, select, tuple_

from service.search.criteria import (
    Cursor,
    IdCriterion,
    IdentifierCriterion,
    Order,
    PatientIdentifierCriterion,
    ReferenceCriterion,
)
from service.search.query import Query
from service.store.conditions import Conditions, is_exact
from service.store.including import Included, included_rows
from service.store.rows import Page, Stored
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list
from service.store.tables import resources
from service.store.token_sets import TokenSets

COUNTED_UP_TO = 1000  # matches of a search that no patient narrows: beyond, the total is left out

_r = resources.c
_BODIES = ListStatement(
    {
        size: Statement(
            select(_r.arrival, _r.id, _r.version, _r.last_updated, _r.body).where(
                _r.site == bindparam("site"), _r.type == bindparam("type"), one_of_list(_r.arrival, size)
            )
        )
        for size in list_sizes()
    }
)
_ORDER_COLUMNS: dict[str, ColumnElement[Any]] = {
    "arrival": _r.arrival,
    "date": _r.date_low,
    "other_date": _r.other_date_low,
    "last_updated": _r.last_updated,
    "id": _r.id,
}


class Search:
    """Searches of one site on one connection."""

    def __init__(self, connection: Connection, site: str, token_sets: TokenSets) -> None:
        self._connection = connection
        self._site = site
        self._token_sets = token_sets

    def page(self, query: Query) -> Page:
        """The rows of one page, and how many match altogether where that is asked for or cheap."""
        where = Conditions(self._connection, self._site, self._token_sets, query).all()
        if query.count_only:
            return Page([], None, self._count(where, None))
        place = _place(query.order, few=_narrow(query) and query.order.key != "date")
        wanted = select(*place).where(*where)
        if query.cursor:
            wanted = wanted.where(_after(query.order, place, query.cursor))
        rows = self._connection.execute(_ordered(wanted, query.order, place).limit(query.count + 1)).all()
        page, more = rows[: query.count], len(rows) > query.count
        following = Cursor(page[-1][0], page[-1][1]) if more else None
        total = len(page) if query.cursor is None and not more else None
        arrivals = [arrival for _, arrival in page]
        return Page(
            self._bodies(query.type, arrivals),
            following,
            None if query.total == "none" else self._total(query, where) if total is None else total,
            self._included(query, arrivals),
        )

    def _included(self, query: Query, arrivals: Sequence[int]) -> Sequence[Stored]:
        if not query.includes or not arrivals:
            return ()
        return included_rows(Included(self._connection, self._site, query.type), query.includes, arrivals)

    def _bodies(self, type_: str, arrivals: Sequence[int]) -> list[Stored]:
        found = _BODIES.rows(self._connection, arrivals, {"site": self._site, "type": type_})
        rows = {row[0]: Stored(type_, *row[1:]) for row in found}
        return [rows[arrival] for arrival in arrivals]

    def _total(self, query: Query, where: Sequence[ColumnElement[bool]]) -> int | None:
        if _narrow(query) or query.total == "accurate":
            return self._count(where, None)
        count = self._count(where, COUNTED_UP_TO + 1)
        return count if count <= COUNTED_UP_TO else None

    def _count(self, where: Sequence[ColumnElement[bool]], limit: int | None) -> int:
        if limit is None:
            return self._connection.execute(select(func.count()).select_from(resources).where(*where)).scalar_one()
        some = select(literal(1)).select_from(resources).where(*where).limit(limit).subquery()
        return self._connection.execute(select(func.count()).select_from(some)).scalar_one()


def _narrow(query: Query) -> bool:
    """Whether the criteria leave few rows, as those of a patient are, however many there are altogether."""
    return any(
        isinstance(each, IdCriterion)
        or (isinstance(each, IdentifierCriterion | PatientIdentifierCriterion) and is_exact(each.values))
        or (isinstance(each, ReferenceCriterion) and not _open(each))
        for each in query.criteria
    )


def _open(criterion: ReferenceCriterion) -> bool:
    """Whether a target of another server is among the alternatives, so that no patient narrows the search."""
    return any(":" in other for other in criterion.others)


def _place(order: Order, *, few: bool) -> tuple[ColumnElement[Any], ColumnElement[Any]]:
    """Order key and arrival of a row, as expressions.

    Of few rows they are written so that no index has them: without statistics SQLite would rather read a whole type in
    the order asked for than sort the few rows that the patient's index gives.
    """
    key, arrival = _ORDER_COLUMNS[order.key], _r.arrival
    if not few:
        return key.label("key"), arrival.label("place")
    plain = key.concat(literal("")) if order.key == "id" else key + 0
    return plain.label("key"), (arrival + 0).label("place")


def _after(order: Order, place: tuple[ColumnElement[Any], ColumnElement[Any]], cursor: Cursor) -> ColumnElement[bool]:
    key, arrival = place
    if order.key == "arrival":
        return arrival < cursor.arrival if order.descending else arrival > cursor.arrival
    row, last = tuple_(key, arrival), tuple_(literal(cursor.key), literal(cursor.arrival))
    return row < last if order.descending else row > last


def _ordered(wanted: Select[Any], order: Order, place: tuple[ColumnElement[Any], ColumnElement[Any]]) -> Select[Any]:
    columns = place[1:] if order.key == "arrival" else place
    return wanted.order_by(*(column.desc() if order.descending else column for column in columns))
