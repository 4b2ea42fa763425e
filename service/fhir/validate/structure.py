"""The walk over the tables of facts: unknown elements, cardinality, types, required codes, reference targets, empties.

Each type and backbone element becomes one function over its JSON object; the check of an element is made from its table
line when that element is met for the first time. A check is called with the value, the place of its owner, the walk and
the owner: `check(value, at, walk, owner)`.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from service.fhir.r4 import Element, codings, elements, has_children, resource_types, tabled_types
from service.fhir.validate import rules
from service.fhir.validate.extensions import check_extension
from service.fhir.validate.primitive_elements import (
    Check,
    ObjectCheck,
    coded_test,
    many_values,
    one_value,
    twin_check,
)
from service.fhir.validate.primitives import is_primitive
from service.fhir.validate.references import check_reference
from service.fhir.validate.units import check_unit
from service.fhir.validate.untabled import check_loosely
from service.fhir.validate.walk import Place, Walk

QUANTITIES = frozenset({"Quantity", "SimpleQuantity", "Age", "Count", "Distance", "Duration"})
_SUFFIX = {"SimpleQuantity": "Quantity", "MoneyQuantity": "Quantity"}  # profiles keep the name of their type
_EXTRA: dict[str, ObjectCheck] = {"Extension": check_extension} | dict.fromkeys(QUANTITIES, check_unit)


class Elements(dict[str, Check]):
    """JSON key -> check of one object type, each made when its key is met for the first time."""

    def __init__(self, path: str) -> None:
        super().__init__()
        self.path = path
        self.known: dict[str, tuple[Element, str]] = {}
        for element in elements(path).values():
            for type_name in element.types:
                suffix = _SUFFIX.get(type_name, type_name[0].upper() + type_name[1:])
                key = element.name + suffix if element.choice else element.name
                self.known[key] = (element, type_name)

    def __missing__(self, key: str) -> Check:
        if key in self.known:
            check = _with_rules(_element_check(self, key), rules.rules_when(self.path, self.known[key][0].name))
        elif key == "resourceType" and "." not in self.path and self.path in tabled_types():
            check = _nothing
        elif key.startswith("_") and is_primitive(self.known.get(key[1:], (None, ""))[1]):
            check = twin_check(self.known[key[1:]][0], key[1:], object_check("Element"))
        else:
            return _unknown(key)  # not kept: unknown keys are without number
        self[key] = check
        return check


@cache
def object_check(path: str) -> ObjectCheck:
    """The check of a datatype, resource type or backbone element given as a JSON object."""
    checks = Elements(path)
    needed = tuple(_needed(checks))
    always = rules.rules_of(path)
    extra = _EXTRA.get(path)
    is_resource = path in tabled_types()

    def check(value: Any, at: Place, walk: Walk) -> None:
        if not isinstance(value, dict) or not value:
            walk.error(at, "an object with at least one element is wanted")
            return
        for key, child in value.items():
            checks[key](child, at, walk, value)
        if len(value) == 1 and "id" in value and not is_resource:
            walk.error(at, "ele-1: an id alone says nothing", "invariant")
        for name, keys in needed:
            if not any(key in value for key in keys):
                walk.error((at, name), f"{name} is required", "required")
        if extra is not None:
            extra(value, at, walk)
        if always:
            rules.apply(always, value, at, walk)

    return check


def _needed(checks: Elements) -> list[tuple[str, tuple[str, ...]]]:
    """Name and the JSON keys of which one must be present, for each element with a minimum."""
    keys: dict[str, list[str]] = {}
    for key, (element, type_name) in checks.known.items():
        if element.minimum:
            keys.setdefault(element.name, []).append(key)
            if is_primitive(type_name):
                keys[element.name].append("_" + key)
    return [(name, tuple(listed)) for name, listed in keys.items()]


def check_resource(value: Any, at: Place, walk: Walk) -> None:
    """A resource of any type, in the place where R4 allows one."""
    kind = value.get("resourceType") if isinstance(value, dict) else None
    if type(kind) is not str or kind not in resource_types():
        walk.error((at, "resourceType"), f"{kind!r} is no R4 resource type", "structure")
    elif kind in tabled_types():
        object_check(kind)(value, at, walk)
    else:
        walk.untabled = True
        check_loosely(value, at, walk)
        walk.add("information", "not-supported", at, f"{kind} is checked for its form only", "structure")


def check_root(value: Any, at: Place, walk: Walk) -> None:
    """A resource that stands for itself: at the top, in a Bundle entry, in a parameter."""
    outer, outer_contained = walk.root, walk.contained
    walk.root, walk.contained = (value if isinstance(value, dict) else {}), None
    check_resource(value, at, walk)
    walk.root, walk.contained = outer, outer_contained


# --- the check of one element -----------------------------------------------------------------------------------------


def _element_check(table: Elements, key: str) -> Check:
    element, type_name = table.known[key]
    if is_primitive(type_name):
        test = coded_test(element, type_name)
        check = many_values(key, test, type_name) if element.repeats else one_value(key, test, type_name)
    else:
        inner = _object_for(element, type_name)
        check = _objects(key, inner) if element.repeats else _object(key, inner)
    if element.choice:
        return _alone(table, key, check)
    return check


def _object_for(element: Element, type_name: str) -> ObjectCheck:
    """The check of one value of a complex element."""
    if type_name == "Resource":
        return check_resource if element.name == "contained" else check_root
    path = element.same_as or f"{element.path}.{element.name}"
    if not has_children(path):
        path = type_name
    targets = element.types[type_name]
    if type_name == "Reference":
        return _reference(targets)
    if element.codes and type_name in ("CodeableConcept", "Coding"):
        return _bound(object_check(path), element.codes)
    return object_check(path)


@cache
def _reference(targets: frozenset[str]) -> ObjectCheck:
    plain = object_check("Reference")

    def check(value: Any, at: Place, walk: Walk) -> None:
        plain(value, at, walk)
        if isinstance(value, dict):
            check_reference(value, targets, at, walk)

    return check


def _bound(plain: ObjectCheck, value_set: str) -> ObjectCheck:
    """A CodeableConcept or Coding with a required binding: one of its codings must be of the value set."""
    allowed = codings(value_set)

    def check(value: Any, at: Place, walk: Walk) -> None:
        plain(value, at, walk)
        if not isinstance(value, dict):
            return
        listed = value.get("coding", ()) if "coding" in value or "code" not in value else (value,)
        found = [c for c in listed if isinstance(c, dict)] if isinstance(listed, (list, tuple)) else []
        if not any((str(c.get("system")), str(c.get("code"))) in allowed for c in found):
            walk.error(at, f"no coding of the required value set {value_set}", "code-invalid")

    return check


def _object(key: str, inner: ObjectCheck) -> Check:
    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        inner(value, (at, key), walk)

    return check


def _objects(key: str, inner: ObjectCheck) -> Check:
    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        if not isinstance(value, (list, tuple)) or not value:
            walk.error((at, key), "an array with at least one entry is wanted")
            return
        for place, entry in enumerate(value):
            inner(entry, (at, key, place), walk)

    return check


def _alone(table: Elements, key: str, plain: Check) -> Check:
    """One type of a choice: no other type of it may stand beside; said once, at the later one of the table."""
    element = table.known[key][0]
    group = [k for k, (e, _) in table.known.items() if e is element]
    earlier = tuple(group[: group.index(key)])

    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        plain(value, at, walk, owner)
        for other in earlier:
            if other in owner:
                walk.error((at, key), f"{other} is present too, one {element.name}[x] is allowed")

    return check


def _with_rules(plain: Check, asked: tuple[rules.Rule, ...]) -> Check:
    if not asked:
        return plain

    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        plain(value, at, walk, owner)
        rules.apply(asked, owner, at, walk)

    return check


def _nothing(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
    """`resourceType` was looked at when the check was chosen."""


def _unknown(key: str) -> Check:
    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        walk.error((at, key), f"{key} is no element of this type")

    return check
