"""Numbers and quantities as FHIR R4 searches them: a number in a query stands for a range of its own precision.

Source: https://hl7.org/fhir/R4/search.html#number, #quantity and #prefix. `100` is [99.5, 100.5) and `100.00`
[99.995, 100.005); beside gt, lt, ge, le, sa and eb the number is exact; `ap` is a tenth of the value to both sides. A
number in a resource is a point, whatever its digits; a comparator makes it a range (`<5` is everything below 5).

Numbers are compared as whole numbers: the nearest double, read so that order stays order. Two decimals that differ in
their first 15 digits are never taken for one another, and both databases compare alike.
"""

import re
import struct
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, NamedTuple, cast

from service.search.dates import Prefix

NO_NUMBER = -(2**63)  # a resource without the number; matches no search

_TENTH = Decimal("0.1")
_LARGEST_EXPONENT = 300  # a double ends near 1e308
_PREFIXED = re.compile(
    r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?(?P<number>[+-]?[0-9]{1,40}(?:\.[0-9]{1,40})?(?:[eE][+-]?[0-9]{1,3})?)"
)


class NumberRange(NamedTuple):
    """From `low` to `high`, both included, as places in the order of all doubles; a plain number has them equal."""

    low: int
    high: int


WITHOUT_NUMBER = NumberRange(NO_NUMBER, NO_NUMBER)


class NumberBound(NamedTuple):
    """What a client asked of a number in one unit: a prefix, and the range that the value stands for."""

    prefix: Prefix
    low: int
    high: int

    def holds(self, target: NumberRange) -> bool:
        """Whether a number answers the search, by the table of prefixes in R4 (search.html#prefix)."""
        return target.low != NO_NUMBER and _HOLDS[self.prefix](self, target)


# The range of eq and ne ends before `high`; that of ap includes it.
_HOLDS: Mapping[Prefix, Callable[[NumberBound, NumberRange], bool]] = {
    "eq": lambda s, t: s.low <= t.low and t.high < s.high,
    "ne": lambda s, t: not (s.low <= t.low and t.high < s.high),
    "gt": lambda s, t: t.high > s.high,
    "lt": lambda s, t: t.low < s.low,
    "ge": lambda s, t: t.high >= s.high,
    "le": lambda s, t: t.low <= s.low,
    "sa": lambda s, t: t.low > s.high,
    "eb": lambda s, t: t.high < s.low,
    "ap": lambda s, t: t.low <= s.high and t.high >= s.low,
}


class Unit(NamedTuple):
    """Unit of a quantity in a resource; what is not given is empty."""

    system: str
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class QuantityBound:
    """`[prefix]number|system|code`: None is any. With the code alone it is the unit's code or its text."""

    prefix: Prefix
    low: Decimal
    high: Decimal
    system: str | None = None
    code: str | None = None

    @property
    def of_any_unit(self) -> bool:
        """Whether the number alone is asked for."""
        return self.system is None and self.code is None

    def factor(self, unit: Unit) -> Decimal | None:
        """By what this bound is multiplied to be one of the resource's unit; None where the units do not meet."""
        if self.of_any_unit or self._names(unit):
            return Decimal(1)
        if self.code is None or self.system not in (None, ucum()):
            return None
        return _factor(self.code, unit)

    def bound(self, factor: Decimal) -> NumberBound:
        """The bound in a unit that `factor` leads to."""
        return NumberBound(self.prefix, sortable(self.low * factor), sortable(self.high * factor))

    def _names(self, unit: Unit) -> bool:
        if self.system is None:
            return self.code in (unit.code, unit.text)
        return self.system == unit.system and self.code in (None, unit.code)


@lru_cache(maxsize=4096)
def sortable(number: Decimal | int | float) -> int:
    """Place of the nearest double in the order of all doubles; infinities have places too.

    IEEE 754 doubles of one sign are ordered as the whole numbers that their bits are.
    """
    bits: int = struct.unpack(">q", struct.pack(">d", float(number)))[0]
    return bits if bits >= 0 else -(bits + 2**63)


_LOWEST, _HIGHEST = sortable(float("-inf")), sortable(float("inf"))
_OF_COMPARATOR: Mapping[str, Callable[[int], NumberRange]] = {
    "<": lambda at: NumberRange(_LOWEST, at - 1),
    "<=": lambda at: NumberRange(_LOWEST, at),
    ">=": lambda at: NumberRange(at, _HIGHEST),
    ">": lambda at: NumberRange(at + 1, _HIGHEST),
}


def number_range(quantity: Mapping[str, Any]) -> NumberRange:
    """Range of a Quantity in a resource; WITHOUT_NUMBER where it has no value or one that no double holds."""
    value = quantity.get("value")
    if value is None:
        return WITHOUT_NUMBER
    try:
        at = sortable(value)
    except OverflowError:
        return WITHOUT_NUMBER
    of_comparator = _OF_COMPARATOR.get(quantity.get("comparator", ""))
    return of_comparator(at) if of_comparator else NumberRange(at, at)


def quantity_bound(text: str, system: str | None, code: str | None) -> QuantityBound:
    """What `[prefix]number` of a unit asks for. ValueError where it is no number."""
    form = _PREFIXED.fullmatch(text)
    if not form:
        raise ValueError("not a number of FHIR R4")
    try:
        number = Decimal(form["number"])
    except InvalidOperation as error:
        raise ValueError("not a number of FHIR R4") from error
    if number and abs(number.adjusted()) > _LARGEST_EXPONENT:
        raise ValueError("a number beyond what is stored")
    prefix = cast(Prefix, form["prefix"] or "eq")  # the expression admits no other
    slack = _slack(prefix, number)
    return QuantityBound(prefix, number - slack, number + slack, system, code)


def _slack(prefix: Prefix, number: Decimal) -> Decimal:
    """Half of the last digit that was written, a tenth of the value for `ap`, nothing where the number is exact."""
    if prefix in ("eq", "ne"):
        return Decimal((0, (5,), cast(int, number.as_tuple().exponent) - 1))
    return abs(number) * _TENTH if prefix == "ap" else Decimal(0)


def _factor(code: str, unit: Unit) -> Decimal | None:
    asked, there = _units().get(code), _units().get(unit.code)
    if asked is None or there is None or unit.system != ucum() or asked[0] != there[0]:
        return None
    return asked[1] / there[1]


def ucum() -> str:
    """System of the unit codes that are converted."""
    system: str = _table()["system"]
    return system


@cache
def _units() -> Mapping[str, tuple[str, Decimal]]:
    """Unit code -> its dimension and its size in the dimension's first unit."""
    groups = {name: group for name, group in _table().items() if name != "system"}
    return {code: (name, Decimal(size)) for name, group in groups.items() for code, size in group.items()}


@cache
def _table() -> Mapping[str, Any]:
    return tomllib.loads(files(__package__).joinpath("units.toml").read_text("utf-8"))
