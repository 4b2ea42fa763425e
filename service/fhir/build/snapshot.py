"""A profile's snapshot: the elements of its base with the differential put into them.

http://hl7.org/fhir/R4/profiling.html#snapshot. An element below a datatype (`Flag.code.text`) brings in all children of
that datatype. What the base already demands is never loosened: a differential that tries is refused.
"""

from collections.abc import Sequence
from typing import Any

from service.fhir.r4.snapshots import elements_of

Tree = dict[str, Any]


class LoosenedBase(ValueError):
    """A differential allows what its base forbids, or names an element that the base does not have."""


def snapshot(base_type: str, differential: Sequence[Tree]) -> list[Tree]:
    """The elements of a profile on a base type. Raises LoosenedBase, or NoSnapshot for a base without a table."""
    elements = elements_of(base_type)
    for change in differential:
        place = _place(elements, change["id"])
        elements[place] = _changed(elements[place], change)
    return elements


def _place(elements: list[Tree], wanted: str) -> int:
    """Where an element stands; the children of its datatype are put in first where they are not there yet."""
    for place, element in enumerate(elements):
        if element["id"] == wanted:
            return place
    parent = wanted.rpartition(".")[0]
    if not parent:
        raise LoosenedBase(f"{wanted} is no element of the base")
    above = _place(elements, parent)
    types = elements[above].get("type", [])
    if len(types) != 1 or types[0]["code"][0].islower() or _has_children(elements, above):  # nothing below a primitive
        raise LoosenedBase(f"{wanted} is no element of the base")
    elements[above + 1 : above + 1] = _children(parent, types[0]["code"])
    return _place(elements, wanted)


def _has_children(elements: Sequence[Tree], place: int) -> bool:
    return any(element["id"].startswith(elements[place]["id"] + ".") for element in elements)


def _children(parent: str, datatype: str) -> list[Tree]:
    children = elements_of(datatype)[1:]
    for child in children:
        for name in ("id", "path"):
            child[name] = parent + child[name].removeprefix(datatype)
    return children


def _changed(element: Tree, change: Tree) -> Tree:
    merged = element | change
    if merged["min"] < element["min"] or _most(merged["max"]) > _most(element["max"]):
        raise LoosenedBase(f"{change['id']} allows more or less than its base")
    allowed = {declared["code"] for declared in element.get("type", [])}
    if any(declared["code"] not in allowed for declared in change.get("type", [])):
        raise LoosenedBase(f"{change['id']} has a type that its base does not have")
    rules = [*element.get("constraint", []), *change.get("constraint", [])]
    return merged | ({"constraint": rules} if rules else {})


def _most(maximum: str) -> float:
    return float("inf") if maximum == "*" else int(maximum)
