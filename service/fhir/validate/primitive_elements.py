"""The checks of primitive elements: one value, an array of values, the twin that carries their id and extensions.

A check is called with the value, the place of its owner, the walk and the owner: `check(value, at, walk, owner)`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.fhir.r4 import Element, codes
from service.fhir.validate.primitives import Test, is_media_type, test_of
from service.fhir.validate.walk import Place, Walk

Check = Callable[[Any, Place, Walk, dict[str, Any]], None]
ObjectCheck = Callable[[Any, Place, Walk], None]


def coded_test(element: Element, type_name: str) -> Test:
    """The test of a primitive, narrowed to the codes of a required binding."""
    if not element.codes:
        return test_of(type_name)
    allowed = codes(element.codes)
    if not allowed:
        return is_media_type

    def test(value: Any) -> bool:
        return type(value) is str and value in allowed

    return test


def one_value(key: str, test: Test, type_name: str) -> Check:
    """The check of a primitive that stands once."""

    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        if not test(value):
            _wrong_value(value, (at, key), type_name, walk)

    return check


def many_values(key: str, test: Test, type_name: str) -> Check:
    """The check of an array of primitives; null only where an extension stands in its place."""
    twin = "_" + key

    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        if not isinstance(value, (list, tuple)) or not value:
            walk.error((at, key), "an array with at least one entry is wanted")
            return
        for place, entry in enumerate(value):
            if not test(entry) and (entry is not None or not _stands_in(owner.get(twin), place)):
                _wrong_value(entry, (at, key, place), type_name, walk)

    return check


def _stands_in(twin: Any, place: int) -> bool:
    """True where an extension stands for the value that is null in the array of values."""
    return type(twin) is list and place < len(twin) and twin[place] is not None


def _wrong_value(value: Any, at: Place, type_name: str, walk: Walk) -> None:
    if value is None or value == "":
        walk.error(at, "an element is left out, not null and not empty")
    elif isinstance(value, (dict, list)):
        walk.error(at, f"one {type_name} is wanted, not an array or object")
    elif type_name == "code":
        walk.error(at, f"{value!r} is no code of this element", "code-invalid")
    else:
        walk.error(at, f"{value!r} is no {type_name}", "value")


def twin_check(element: Element, key: str, single: ObjectCheck) -> Check:
    """`_key`: id and extensions of a primitive, for an array one entry (or null) for each value."""

    def check(value: Any, at: Place, walk: Walk, owner: dict[str, Any]) -> None:
        if not element.repeats:
            single(value, (at, "_" + key), walk)
            return
        values = owner.get(key)
        if type(value) is not list or not any(entry is not None for entry in value):
            walk.error((at, "_" + key), "an array with at least one entry that is not null is wanted")
        elif type(values) is list and len(values) != len(value):
            walk.error((at, "_" + key), f"{len(value)} entries beside {len(values)} values")
        else:
            for place, entry in enumerate(value):
                if entry is not None:
                    single(entry, (at, "_" + key, place), walk)

    return check
