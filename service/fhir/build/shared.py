"""What many resources share: trees with their bytes, and what is worked out once."""

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

from service.fhir import wire

Key = TypeVar("Key")
Value = TypeVar("Value")
Tree = dict[str, Any]
MOST = 2048


class Part(NamedTuple):
    """A sub-tree that is never changed, with its bytes, so that it need not be written again in each resource.

    `wire.write` takes either for the other.
    """

    tree: Any
    written: wire.Written


def part(tree: Any) -> Part:
    """A sub-tree that many resources are to hold."""
    return Part(tree, wire.written(tree))


class Once(dict[Key, Value]):
    """Key -> what a pure function gives for it, worked out when it is first asked for; `most` are kept at a time."""

    __slots__ = ("_most", "_work")

    def __init__(self, work: Callable[[Key], Value], most: int = MOST) -> None:
        super().__init__()
        self._work, self._most = work, most

    def __missing__(self, key: Key) -> Value:
        if len(self) >= self._most:
            self.clear()
        made = self[key] = self._work(key)
        return made
