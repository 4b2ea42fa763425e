"""Resources that surely keep a profile, told by one look at their keys and a few at their values.

As in `validate.fast`: resources of one builder have few shapes (their keys in their order), and what keys alone decide
is decided once for each. No means "ask the rules": this can only be slower than they are, never more lenient.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

Json = dict[str, Any]
Test = Callable[[Any], bool]
Code = tuple[str, str]  # system, code
MOST_SHAPES = 1000  # of one profile; a sender may have more, those are left to the rules


@lru_cache(maxsize=2048)
def keys_of(stem: str, keys: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the keys that are a choice of types of one element: `value` has `valueQuantity`."""
    place = len(stem)
    return tuple(key for key in keys if key.startswith(stem) and key[place : place + 1].isupper())


def has_code(value: Any, wanted: Code) -> bool:
    """A CodeableConcept with a coding, or a Quantity with a unit, of this system and code."""
    if not isinstance(value, dict):
        return False
    codings = value.get("coding")
    for one in codings if isinstance(codings, list) else (value,):
        if isinstance(one, dict) and (one.get("system"), one.get("code")) == wanted:
            return True
    return False


class ProfileShapes:
    """The shapes of one profile, each made when it is first met."""

    def __init__(
        self,
        rows: Sequence[Mapping[str, str]],
        patterns: Mapping[str, Code],
        below: Sequence[Callable[[Json], Iterable[object]]],
        invariants: Sequence[Callable[[Json], bool]],
    ) -> None:
        """`rows` are those of profile-elements.csv, `patterns` by path; `below` the rules of elements in elements."""
        self._rows = [(row, row["path"].split(".")[1:], patterns.get(row["path"])) for row in rows]
        self._below = tuple(below)
        self._invariants = tuple(invariants)
        self._shapes: dict[tuple[str, ...], tuple[tuple[str, Test], ...] | None] = {}

    def holds(self, resource: Json) -> bool:
        """True where no rule of the profile has anything to say."""
        keys = tuple(resource)
        if keys not in self._shapes:
            if len(self._shapes) >= MOST_SHAPES:
                return False
            self._shapes[keys] = self._tests(keys)
        tests = self._shapes[keys]
        if tests is None:
            return False
        for key, test in tests:
            if not test(resource[key]):
                return False
        try:
            for kept in self._invariants:
                if not kept(resource):
                    return False
        except (AttributeError, KeyError, IndexError, TypeError, ValueError):
            return False
        return not (self._below and any(True for rule in self._below for _ in rule(resource)))

    def _tests(self, keys: tuple[str, ...]) -> tuple[tuple[str, Test], ...] | None:
        """Tests of the values of these keys; None where a needed element is not there or a choice is there twice."""
        found: list[tuple[str, Test]] = []
        for row, steps, wanted in self._rows:
            first = steps[0]
            named = keys_of(first[:-3], keys) if first.endswith("[x]") else (first,) if first in keys else ()
            if (row["min"] != "0" and not named) or (row["max"] == "1" and len(named) > 1):
                return None
            if len(steps) == 1:
                found += [(key, _value_test(row, wanted)) for key in named]
        return tuple(found)


def _value_test(row: Mapping[str, str], wanted: Code | None) -> Test:
    needed, single = row["min"] != "0", row["max"] == "1"

    def test(value: Any) -> bool:
        if (needed and not value) or (single and type(value) is list and len(value) > 1):
            return False
        if wanted is None:
            return True
        return all(has_code(one, wanted) for one in value) if type(value) is list else has_code(value, wanted)

    return bool if needed and not single and wanted is None else test
