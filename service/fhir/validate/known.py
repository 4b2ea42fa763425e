"""Bounded sets of values that were found sound: systems, codes, texts and times repeat from resource to resource.

Only texts are kept, so that what is in a set is equal to no value of another type; and no long ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.fhir.validate.primitives import Test, test_of

MOST_KNOWN = 4096
_LONGEST_KNOWN = 100
REMEMBERED = frozenset({"uri", "code", "canonical", "url", "dateTime", "instant", "date", "id"})

_of_types: dict[str, tuple[set[str], Test]] = {}


def known_values(type_name: str) -> tuple[set[str], Test]:
    """The values of a primitive type that passed, and the test that fills it."""
    if type_name not in _of_types:
        known: set[str] = set()
        test = test_of(type_name)

        def learn(value: Any) -> bool:
            if not test(value):
                return False
            if len(known) >= MOST_KNOWN:
                known.clear()
            if len(value) < _LONGEST_KNOWN:
                known.add(value)
            return True

        _of_types[type_name] = (known, learn)
    return _of_types[type_name]


def known_together() -> tuple[set[tuple[str, ...]], Callable[[tuple[Any, ...]], None]]:
    """A set of texts that stood together in one element and were sound, and what adds to it."""
    known: set[tuple[str, ...]] = set()

    def learn(texts: tuple[Any, ...]) -> None:
        if len(known) >= MOST_KNOWN:
            known.clear()
        if all(type(text) is str and len(text) < _LONGEST_KNOWN for text in texts):
            known.add(texts)

    return known, learn
