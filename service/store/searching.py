"""A parsed query as statements: first the rows in order, then their bodies.

Order and paging go by (key, arrival), so that a row that arrives meanwhile moves no other onto a page twice or past it.
"""

from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, false, func, literal, or_, select, tuple_

from service.search.criteria import (
    Criterion,
    Cursor,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    Order,
    ReferenceCriterion,
    TextCriterion,
    TokenCriterion,
)
from service.search.dates import NO_DATE, DateBound
from service.search.query import Query
from service.store.rows import Page, Stored
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list
from service.store.tables import identifiers, resources
from service.store.token_sets import TokenSets

COUNTED_UP_TO = 1000  # matches of a search that no patient narrows: beyond, the total is left out
_MILLISECOND = 1000

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
        if any(isinstance(each, TokenCriterion) for each in query.criteria):
            self._token_sets.refresh(self._connection)
        where = self._where(query)
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
        return Page(
            self._bodies(query.type, [arrival for _, arrival in page]),
            following,
            None if query.total == "none" else self._total(query, where) if total is None else total,
        )

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

    def _where(self, query: Query) -> list[ColumnElement[bool]]:
        where: list[ColumnElement[bool]] = [_r.site == self._site, _r.type == query.type]
        where += [self._condition(query, criterion) for criterion in query.criteria]
        if not any(isinstance(each, ReferenceCriterion) and each.patients for each in query.criteria):
            where += self._patients_of_targets(query)
        return where

    def _condition(self, query: Query, criterion: Criterion) -> ColumnElement[bool]:
        match criterion:
            case IdCriterion(ids):
                return _one_of(_r.id, ids)
            case TokenCriterion(slot=slot):
                column = _r.code_set if slot == "code_set" else _r.token_set
                return _one_of(column, self._token_sets.matching(criterion))
            case IdentifierCriterion():
                return self._identified(query.type, criterion)
            case DateCriterion(slot, bounds):
                return or_(*(_dated(slot, bound) for bound in bounds))
            case ReferenceCriterion(name, patients, others):
                pointed = [self._contains(f"\n{name}={other}\n") for other in others]
                return or_(*([_one_of(_r.patient, patients)] if patients else []), *pointed)
            case TextCriterion(name, beginnings):
                return or_(*(self._contains(f"\n{name}={beginning}") for beginning in beginnings))

    def _patients_of_targets(self, query: Query) -> list[ColumnElement[bool]]:
        """What points to a resource of a patient is of the same patient or of none: the index leads there.

        The projection keeps to that, and whoever takes in resources of others has to refuse a reference from one
        patient to another. A reference search would otherwise read every resource of the type; where a target is not
        stored here, or is of no patient itself, that is what it does.
        """
        sought = [each for each in query.criteria if isinstance(each, ReferenceCriterion) and each.others]
        narrowed: list[ColumnElement[bool]] = []
        for criterion in sought:
            targets = [other.partition("/") for other in criterion.others]
            rows = self._connection.execute(
                select(_r.type, _r.id, _r.patient).where(
                    _r.site == self._site, _r.id.in_([id_ for _, _, id_ in targets]), _r.patient != ""
                )
            )
            patients = {(type_, id_): patient for type_, id_, patient in rows}
            found = [patients.get((type_, id_)) for type_, _, id_ in targets]
            if all(found):
                narrowed.append(_r.patient.in_(sorted({"", *filter(None, found)})))
        return narrowed

    def _identified(self, type_: str, criterion: IdentifierCriterion) -> ColumnElement[bool]:
        i = identifiers.c
        alternatives = [
            and_(
                *([i.value == value.code] if value.code is not None else []),
                *([i.system == value.system] if value.system is not None else []),
            )
            for value in criterion.values
        ]
        of = select(i.arrival).where(i.site == self._site, i.type == type_, or_(*alternatives))
        # Few rows have one identifier: looked up first, as SQLite would put the rest of the query before it.
        if not _exact(criterion):
            return _r.arrival.in_(of)
        return _one_of(_r.arrival, self._connection.execute(of).scalars().all())

    def _contains(self, part: str) -> ColumnElement[bool]:
        """Whether the terms hold a part, literally: LIKE would not tell cases apart on SQLite."""
        position = func.instr if self._connection.dialect.name == "sqlite" else func.strpos
        return position(_r.terms, part) > 0


def _one_of(column: ColumnElement[Any], values: Sequence[Any]) -> ColumnElement[bool]:
    if not values:
        return false()
    return column == values[0] if len(values) == 1 else column.in_(values)


def _narrow(query: Query) -> bool:
    """Whether the criteria leave few rows, as those of a patient are, however many there are altogether."""
    return any(
        isinstance(each, IdCriterion)
        or (isinstance(each, IdentifierCriterion) and _exact(each))
        or (isinstance(each, ReferenceCriterion) and not _open(each))
        for each in query.criteria
    )


def _exact(criterion: IdentifierCriterion) -> bool:
    """Whether each alternative names a value, and not a whole system."""
    return all(value.code is not None for value in criterion.values)


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


def _dated(slot: str, bound: DateBound) -> ColumnElement[bool]:
    """The table of prefixes (search.dates) as a condition; the first part of each is one that an index can use."""
    if slot == "last_updated":
        # An instant in milliseconds: its range ends one millisecond on, which is counted on the other side.
        return _PREFIXES[bound.prefix](_r.last_updated, _r.last_updated, bound._replace(), _MILLISECOND)
    low, high = (
        (_r.date_low, _r.date_high) if slot == "date" else (_r.other_date_low, _r.other_date_high)
    )  # fmt: skip
    return and_(_PREFIXES[bound.prefix](low, high, bound, 0), low > NO_DATE)


_Condition = Callable[[ColumnElement[Any], ColumnElement[Any], DateBound, int], ColumnElement[bool]]
_PREFIXES: dict[str, _Condition] = {
    "eq": lambda low, high, s, w: and_(low >= s.low, low < s.high, high <= s.high - w),
    "ne": lambda low, high, s, w: or_(low < s.low, high > s.high - w),
    "gt": lambda low, high, s, w: high > s.high - w,
    "lt": lambda low, high, s, w: low < s.low,
    "ge": lambda low, high, s, w: or_(high > s.high - w, low >= s.low),
    "le": lambda low, high, s, w: and_(low < s.high, or_(low < s.low, high <= s.high - w)),
    "sa": lambda low, high, s, w: low >= s.high,
    "eb": lambda low, high, s, w: and_(low < s.low, high <= s.low - w),
    "ap": lambda low, high, s, w: and_(low < s.high, high > s.low - w),
}
