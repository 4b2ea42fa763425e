"""Criteria of a parsed query as conditions of SQL on the rows of resources."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, false, func, not_, or_, select, true

from service.search.criteria import (
    CodedQuantityCriterion,
    Criterion,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    LogicalReferenceCriterion,
    MissingCriterion,
    NotCriterion,
    PatientIdentifierCriterion,
    QuantityCriterion,
    ReferenceCriterion,
    TextCriterion,
    TokenCriterion,
    TokenTextCriterion,
    TokenValue,
)
from service.search.dates import NO_DATE, DateBound
from service.search.elements import identifier_line
from service.search.query import Query
from service.store.number_conditions import NumberConditions
from service.store.tables import identifiers, resources
from service.store.token_sets import TokenSets

_MILLISECOND = 1000

_r = resources.c


class Conditions:
    """Conditions of one query of one site; what they need to know is looked up on the query's own connection."""

    def __init__(self, connection: Connection, site: str, token_sets: TokenSets, query: Query) -> None:
        self._connection = connection
        self._site = site
        self._query = query
        self._token_sets = token_sets
        token_sets.refresh(connection)
        self._numbers = NumberConditions(connection.dialect.name, token_sets)

    def all(self) -> list[ColumnElement[bool]]:
        """What a row has to be: of the site and type, and of every criterion."""
        where: list[ColumnElement[bool]] = [_r.site == self._site, _r.type == self._query.type]
        where += [self._condition(criterion) for criterion in self._query.criteria]
        if not any(isinstance(each, ReferenceCriterion) and each.patients for each in self._query.criteria):
            where += self._patients_of_targets()
        return where

    def _condition(self, criterion: Criterion) -> ColumnElement[bool]:
        match criterion:
            case IdCriterion(ids):
                return one_of(_r.id, ids)
            case TokenCriterion(slot=slot):
                return one_of(_set_column(slot), self._token_sets.matching(criterion))
            case TokenTextCriterion(slot=slot):
                return one_of(_set_column(slot), self._token_sets.worded(criterion))
            case IdentifierCriterion(values):
                return self._identified(values)
            case DateCriterion(slot, bounds):
                return or_(*(_dated(slot, bound) for bound in bounds))
            case QuantityCriterion(slot, quantities):
                return self._numbers.quantity(slot, quantities)
            case CodedQuantityCriterion(slot, pairs):
                return or_(*(self._numbers.coded(slot, code, quantity) for code, quantity in pairs))
            case NotCriterion(excluded):
                return not_(self._condition(excluded))
            case MissingCriterion(missing=missing):
                return not_(self._present(criterion)) if missing else self._present(criterion)
            case _:
                return self._by_reference_or_text(criterion)

    def _by_reference_or_text(self, criterion: Criterion) -> ColumnElement[bool]:
        match criterion:
            case ReferenceCriterion(name, patients, others):
                pointed = [self._contains(f"\n{name}={other}\n") for other in others]
                return or_(*([one_of(_r.patient, patients)] if patients else []), *pointed)
            case PatientIdentifierCriterion(values):
                return one_of(_r.patient, self._patients_with(values))
            case LogicalReferenceCriterion(name, values):
                return or_(*(self._contains(_logical(name, value)) for value in values))
            case TextCriterion(name, texts, "begins"):
                return or_(*(self._contains(f"\n{name}={text}") for text in texts))
            case TextCriterion(name, texts, "exact"):
                return or_(*(self._contains(f"\n{name}:exact={text}\n") for text in texts))
            case TextCriterion(name, texts, "contains"):
                return or_(*(self._contains_within(f"\n{name}:all=", text) for text in texts))
        raise TypeError(type(criterion).__name__)

    def _present(self, criterion: MissingCriterion) -> ColumnElement[bool]:
        """Whether a row has any value of a parameter."""
        name, slot = criterion.name, criterion.slot
        match slot:
            case "id" | "last_updated":
                return true()
            case "code_set" | "token_set" | "identifier":
                return one_of(_set_column(slot), self._token_sets.having(name))
            case "date" | "other_date":
                return (_r.date_low if slot == "date" else _r.other_date_low) > NO_DATE
            case "value" | "component" | "value_or_component":
                return self._numbers.present(slot)
            case "patient" | "terms":
                lines = or_(self._contains(f"\n{name}="), self._contains(f"\n{name}:"))
                return or_(_r.patient != "", lines) if name in ("patient", "subject") else lines

    def _patients_of_targets(self) -> list[ColumnElement[bool]]:
        """What points to a resource of a patient is of the same patient or of none: the index leads there.

        The projection keeps to that; of what a hospital sends, `workflow.pointing` refuses a reference from one patient
        to another and `workflow.identities` a change of the patient. A reference search would otherwise read every
        resource of the type; where a target is not stored here, or is of no patient itself, that is what it does.
        """
        sought = [each for each in self._query.criteria if isinstance(each, ReferenceCriterion) and each.others]
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

    def _identified(self, values: Sequence[TokenValue]) -> ColumnElement[bool]:
        of = self._arrivals(self._query.type, values)
        # Few rows have one identifier: looked up first, as SQLite would put the rest of the query before it.
        return (
            one_of(_r.arrival, self._connection.execute(of).scalars().all()) if is_exact(values) else _r.arrival.in_(of)
        )

    def _patients_with(self, values: Sequence[TokenValue]) -> Sequence[str]:
        """Ids of the patients with one of these identifiers."""
        of = self._arrivals("Patient", values)
        patients = select(_r.id).where(_r.site == self._site, _r.type == "Patient", _r.arrival.in_(of))
        return self._connection.execute(patients.order_by(_r.id)).scalars().all()

    def _arrivals(self, type_: str, values: Sequence[TokenValue]) -> Any:
        i = identifiers.c
        alternatives = [
            and_(
                *([i.value == value.code] if value.code is not None else []),
                *([i.system == value.system] if value.system is not None else []),
            )
            for value in values
        ]
        return select(i.arrival).where(i.site == self._site, i.type == type_, or_(*alternatives))

    def _contains(self, part: str) -> ColumnElement[bool]:
        """Whether the terms hold a part, literally: LIKE would not tell cases apart on SQLite."""
        return self._place(_r.terms, part) > 0

    def _contains_within(self, start: str, part: str) -> ColumnElement[bool]:
        """Whether a part stands in the line of the terms that begins so."""
        behind = func.substr(_r.terms, self._place(_r.terms, start) + len(start))
        line = func.substr(behind, 1, self._place(behind, "\n") - 1)
        return and_(self._contains(start), self._place(line, part) > 0)

    def _place(self, text: ColumnElement[Any], part: str) -> ColumnElement[int]:
        position = func.instr if self._connection.dialect.name == "sqlite" else func.strpos
        return position(text, part)


def one_of(column: ColumnElement[Any], values: Sequence[Any]) -> ColumnElement[bool]:
    """Whether a column is one of some values."""
    if not values:
        return false()
    return column == values[0] if len(values) == 1 else column.in_(values)


def is_exact(values: Iterable[TokenValue]) -> bool:
    """Whether each alternative of an identifier names a value, and not a whole system."""
    return all(value.code is not None for value in values)


def _set_column(slot: str) -> ColumnElement[int]:
    return _r.code_set if slot == "code_set" else _r.token_set


def _logical(name: str, value: TokenValue) -> str:
    line = f"\n{name}:identifier={identifier_line(value.system, value.code or '')}"
    return line if value.system is None else line + "\n"


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
