"""Which elements of a resource the search parameters read, found once for each set of keys; and its sets of tokens.

Resources of one builder have few sets of keys, and those of one concept have the same codes: what tokens they make is
worked out once and looked up by the codes afterwards.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

from service.search.elements import PRESENT, Said, Token, as_set, said_by, tokens_of, walk
from service.search.parameters import Parameter, parameters_of

MOST_SETS = 256  # of one shape: ours have a few dozen, what is sent from outside may have any number
_TOKEN_SLOTS = ("code_set", "token_set")
_WHOLE_ELEMENT = frozenset({"component"})  # slots that read the element around the value, for what stands beside it
_IDENTIFIED = (("identifier" + PRESENT, "", ""),)
Tokens = tuple[Token, ...]


class Element(NamedTuple):
    """An element, by its first name and the way further in, and the parameters whose values stand there."""

    first: str
    further: tuple[str, ...]
    parameters: tuple[Parameter, ...]

    def values(self, resource: Mapping[str, Any]) -> Sequence[Any]:
        """What stands there in a resource that has the first name."""
        value = resource[self.first]
        values = value if type(value) is list else (value,)
        return walk(values, self.further) if self.further else values


class Shape:
    """The elements of one type that resources with these keys have. KeyError for a type without parameters."""

    __slots__ = ("_of_tokens", "_sets", "others")

    def __init__(self, type_: str, keys: tuple[str, ...]) -> None:
        there = [element for element in _elements(type_) if element.first in keys]
        self._of_tokens = _narrowed(there, True)
        self.others = _narrowed(there, False)
        self._sets: dict[Sequence[Said | int], tuple[Tokens, Tokens]] = {}

    def token_sets(self, resource: Mapping[str, Any], identified: bool) -> tuple[Tokens, Tokens]:
        """What the resource is a record of, and its other codes: sorted and without repeats.

        That it is `identified` is one of them; the identifiers themselves are kept elsewhere.
        """
        said: list[Said | int] = [identified]
        for element in self._of_tokens:
            values = element.values(resource)
            said.append(len(values))
            said += map(said_by, values)
        key = tuple(said)
        found = self._sets.get(key)
        if found is None:
            if len(self._sets) >= MOST_SETS:
                self._sets.clear()
            found = self._sets[key] = self._made_of(resource, identified)
        return found

    def _made_of(self, resource: Mapping[str, Any], identified: bool) -> tuple[Tokens, Tokens]:
        sets: dict[str, list[Token]] = {slot: [] for slot in _TOKEN_SLOTS}
        sets["token_set"] += _IDENTIFIED if identified else ()
        for element in self._of_tokens:
            said = [said_by(each) for each in element.values(resource)]
            for parameter in element.parameters:
                for one in said:
                    sets[parameter.slot] += tokens_of(parameter, one)
        code_set, token_set = (as_set(tuple(sets[slot])) for slot in _TOKEN_SLOTS)
        return code_set, token_set


def _narrowed(elements: Sequence[Element], of_tokens: bool) -> list[Element]:
    """The elements with those of their parameters that have tokens, or those that have not."""
    found = []
    for element in elements:
        wanted = tuple(one for one in element.parameters if (one.slot in _TOKEN_SLOTS) == of_tokens)
        if wanted:
            found.append(element._replace(parameters=wanted))
    return found


@cache
def _elements(type_: str) -> tuple[Element, ...]:
    by_path: dict[tuple[str, ...], list[Parameter]] = {}
    for parameter in parameters_of(type_).values():
        if parameter.slot == "value_or_component":
            continue  # made of what others have indexed
        for path in parameter.paths:
            by_path.setdefault(path[:1] if parameter.slot in _WHOLE_ELEMENT else path, []).append(parameter)
    return tuple(Element(path[0], path[1:], tuple(interested)) for path, interested in by_path.items())
