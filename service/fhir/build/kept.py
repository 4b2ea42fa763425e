"""Resources of the whole course that need not be built again: each is kept with what it was made from.

A resource is a pure function of what never changes in a course (site, policy, tables) and of a few values that are
immutable. So the same values, the very same objects, give the same resource. Equal ones are not enough: 31.0 and 31.00
are equal, and so are two times that were charted with different offsets.
"""

from collections.abc import Callable, Iterable
from operator import is_
from typing import TypeVar

from service.fhir.build.identity import Built

Made = TypeVar("Made", Built, list[Built])


class Kept:
    """What was built last under each key, and from which values."""

    __slots__ = ("_kept",)

    def __init__(self, earlier: "Kept | None" = None) -> None:
        self._kept: dict[object, tuple[tuple[object, ...], object]] = {} if earlier is None else dict(earlier._kept)

    def built(self, key: object, made_from: Iterable[object], build: Callable[[], Made]) -> Made:
        """What was built from these very values before; else what `build` gives. Texts may be equal ones."""
        values = tuple(made_from)
        before = self._kept.get(key)
        if before is not None and _same(before[0], values):
            found: Made = before[1]  # type: ignore[assignment]  # a key is used by one function, which gives one type
            return found
        made = build()
        self._kept[key] = (values, made)
        return made


def _same(before: tuple[object, ...], now: tuple[object, ...]) -> bool:
    if len(before) != len(now):
        return False
    return all(map(is_, before, now)) or all(map(_same_text, before, now))


def _same_text(a: object, b: object) -> bool:
    return a is b or (type(a) is str and type(b) is str and a == b)
