"""Resource types without a table here: what holds for every element of every type is asked all the same.

No null, nothing empty, references of a proper form that resolve, units of the closed list. Their elements and codes are
known to fhirkit-rs alone, and an issue of severity `information` says so.
"""

from __future__ import annotations

from typing import Any

from service.fhir.validate.references import check_reference
from service.fhir.validate.units import check_unit
from service.fhir.validate.walk import Place, Walk

_REFERENCE = frozenset({"reference", "type", "identifier", "display", "id", "extension"})


def check_loosely(value: Any, at: Place, walk: Walk) -> None:
    """Issues of a value of unknown type and of all that is below it."""
    if value is None or value in ("", [], {}):
        walk.error(at, "an element is left out, not null and not empty")
    elif isinstance(value, dict):
        if "reference" in value and value.keys() <= _REFERENCE:
            check_reference(value, frozenset(), at, walk)
        if "value" in value:
            check_unit(value, at, walk)
        for key, child in value.items():
            _check_element(key, child, at, walk)


def _check_element(key: str, child: Any, at: Place, walk: Walk) -> None:
    if not isinstance(child, list) or not child:
        check_loosely(child, (at, key), walk)
        return
    for place, entry in enumerate(child):
        # null holds a place where the array of values and the array of its extensions stand side by side
        if entry is not None:
            check_loosely(entry, (at, key, place), walk)
