"""Whose a resource is, by its own reference to a Patient."""

from collections.abc import Mapping
from typing import Any

_ELEMENTS = ("subject", "patient", "for")


def patient_of(resource: Mapping[str, Any]) -> str | None:
    """The id of the Patient that a resource names; None where it names none."""
    if resource.get("resourceType") == "Patient":
        return str(resource["id"])
    for name in _ELEMENTS:
        value = resource.get(name)
        reference = value.get("reference") if isinstance(value, dict) else None
        if isinstance(reference, str) and reference.startswith("Patient/"):
            return reference.split("/")[1]
    return None
