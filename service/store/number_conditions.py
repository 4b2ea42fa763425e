"""Quantities as conditions of SQL. Units are looked up first, and what was asked is turned into each of them.

So a length in mm is compared with a row in cm by comparing the row's own number: nothing is converted row by row.
"""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, and_, cast, exists, false, func, or_
from sqlalchemy.dialects.postgresql import JSONB

from service.search.criteria import TokenValue
from service.search.quantities import NO_NUMBER, NumberBound, QuantityBound
from service.store.tables import resources
from service.store.token_sets import TokenSets

_r = resources.c
_CODES, _UNIT, _LOW, _HIGH = range(4)  # places in the list of a component
_CODE = {"value": "code", "component": "component-code"}  # the code that belongs to a number

Number = Sequence[ColumnElement[Any]]  # token set of code, of unit, low, high


class NumberConditions:
    """Conditions on the number of a resource and on those of its components."""

    def __init__(self, dialect: str, token_sets: TokenSets) -> None:
        self._dialect = dialect
        self._token_sets = token_sets

    def quantity(self, slot: str, bounds: Sequence[QuantityBound]) -> ColumnElement[bool]:
        """Whether one number of the slot answers one of the bounds."""
        return or_(*(self._of_slot(slot, bound, None) for bound in bounds))

    def coded(self, slot: str, code: TokenValue, bound: QuantityBound) -> ColumnElement[bool]:
        """Whether a number of the slot answers the bound and has the code beside it."""
        return self._of_slot(slot, bound, code)

    def present(self, slot: str) -> ColumnElement[bool]:
        """Whether there is a number."""
        value, components = _r.value_low > NO_NUMBER, _r.components != "[]"
        return value if slot == "value" else components if slot == "component" else or_(value, components)

    def _of_slot(self, slot: str, bound: QuantityBound, code: TokenValue | None) -> ColumnElement[bool]:
        if slot == "value_or_component":
            return or_(self._of_slot("value", bound, code), self._of_slot("component", bound, code))
        numbers = None if code is None else self._token_sets.holding(_CODE[slot], [code])
        if numbers == []:
            return false()
        if slot == "value":
            own = (_r.code_set, _r.value_unit, _r.value_low, _r.value_high)
            return and_(_r.value_low > NO_NUMBER, self._answers(own, bound, numbers))
        each, number = self._component()
        return and_(_r.components != "[]", exists().select_from(each).where(self._answers(number, bound, numbers)))

    def _answers(self, number: Number, bound: QuantityBound, codes: Sequence[int] | None) -> ColumnElement[bool]:
        by_code = [] if codes is None else [number[_CODES].in_(codes)]
        if bound.of_any_unit:
            return and_(*by_code, _holds(number, bound.bound(Decimal(1))))
        in_units = [
            and_(number[_UNIT].in_(units), _holds(number, found)) for found, units in self._in_units(bound).items()
        ]
        return and_(*by_code, or_(*in_units)) if in_units else false()

    def _in_units(self, bound: QuantityBound) -> dict[NumberBound, list[int]]:
        """What the bound is in each unit that meets it, with the numbers of the sets of that unit."""
        found: dict[NumberBound, list[int]] = {}
        for number, unit in sorted(self._token_sets.units().items()):
            factor = bound.factor(unit)
            if factor is not None:
                found.setdefault(bound.bound(factor), []).append(number)
        return found

    def _component(self) -> tuple[Any, Number]:
        """One component as a row, and the four parts of its number."""
        if self._dialect == "sqlite":
            each = func.json_each(_r.components).table_valued("value", name="component")
            return each, [func.json_extract(each.c.value, f"$[{place}]") for place in range(4)]
        rows = func.jsonb_array_elements(cast(_r.components, JSONB)).table_valued("value", name="component")
        value = cast(rows.c.value, JSONB)
        return rows, [cast(value[place].astext, BigInteger) for place in range(4)]


_Condition = Callable[[ColumnElement[Any], ColumnElement[Any], NumberBound], ColumnElement[bool]]
_HOLDS: dict[str, _Condition] = {
    "eq": lambda low, high, s: and_(low >= s.low, high < s.high),
    "ne": lambda low, high, s: or_(low < s.low, high >= s.high),
    "gt": lambda low, high, s: high > s.high,
    "lt": lambda low, high, s: low < s.low,
    "ge": lambda low, high, s: high >= s.high,
    "le": lambda low, high, s: low <= s.low,
    "sa": lambda low, high, s: low > s.high,
    "eb": lambda low, high, s: high < s.low,
    "ap": lambda low, high, s: and_(low <= s.high, high >= s.low),
}


def _holds(number: Number, bound: NumberBound) -> ColumnElement[bool]:
    """The table of prefixes (search.quantities) as a condition."""
    return _HOLDS[bound.prefix](number[_LOW], number[_HIGH], bound)
