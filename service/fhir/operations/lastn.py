"""`$lastn` (http://hl7.org/fhir/R4/observation-operation-lastn.html): the newest Observations of each code.

Codes are the same where system and code are; an Observation with several codings joins their groups into one (the page
calls it the transitive property). An Observation without any coding is grouped by its text. Where several stand at the
time of the last place, all of them are given.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Generic, NamedTuple, TypeVar

Row = TypeVar("Row")
Key = tuple[str, str, str]  # "coding", system, code, or "text", text, ""


class Timed(NamedTuple, Generic[Row]):
    """A row with the keys of its code and the start of its effective time, newest rows first in a sequence."""

    row: Row
    keys: Sequence[Key]
    at: int


def keys_of(code: Mapping[str, Any]) -> list[Key]:
    """By what a CodeableConcept is grouped."""
    codings = [("coding", each.get("system", ""), each["code"]) for each in code.get("coding", ()) if "code" in each]
    return codings or [("text", code.get("text", ""), "")]


def newest_of_each(rows: Iterable[Timed[Row]], most: int) -> list[Row]:
    """Up to `most` rows of each group, more where times are equal; groups by their newest row, newest rows first.

    The rows come newest first.
    """
    given = list(rows)
    groups: dict[Key, list[Timed[Row]]] = {}
    heads = _Heads()
    for timed in given:
        heads.join(timed.keys)
    for timed in given:
        groups.setdefault(heads.of(timed.keys[0]), []).append(timed)
    return [timed.row for group in groups.values() for timed in _first(group, most)]


def _first(group: Sequence[Timed[Row]], most: int) -> Iterable[Timed[Row]]:
    last = group[min(most, len(group)) - 1].at
    return [timed for place, timed in enumerate(group) if place < most or timed.at == last]


class _Heads:
    """Keys that mean the same share one head (union-find)."""

    def __init__(self) -> None:
        self._above: dict[Key, Key] = {}

    def of(self, key: Key) -> Key:
        while (above := self._above.get(key, key)) != key:
            key = above
        return key

    def join(self, keys: Sequence[Key]) -> None:
        for key in keys[1:]:
            one, other = self.of(keys[0]), self.of(key)
            if one != other:
                self._above[other] = one
