"""Small sound resources that the tests break on purpose. People and places are invented."""

from decimal import Decimal
from typing import Any

from service.fhir.r4.issue import Issue

UCUM = "http://unitsofmeasure.org"


def width(value: str = "31.0") -> dict[str, Any]:
    """A gap width in millimetres."""
    return {"value": Decimal(value), "unit": "mm", "system": UCUM, "code": "mm"}


def observation(**changes: Any) -> dict[str, Any]:
    """A sound gap reading with two stations; a change to None leaves the element out."""
    sound = {
        "resourceType": "Observation",
        "id": "gap-1",
        "status": "final",
        "code": {"text": "Gap width"},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2024-03-01T08:30:00+01:00",
        "performer": [{"reference": "Practitioner/n1"}],
        "component": [
            {"code": {"text": "station 1"}, "valueQuantity": width("31.0")},
            {"code": {"text": "station 2"}, "valueQuantity": width("28.50")},
        ],
    }
    return {key: value for key, value in (sound | changes).items() if value is not None}


def bundle(*resources: dict[str, Any], kind: str = "transaction", **changes: Any) -> dict[str, Any]:
    """The resources as entries of a transaction, each with a urn:uuid of its own."""
    entries = [
        {
            "fullUrl": f"urn:uuid:{number:08d}-0000-4000-8000-000000000000",
            "resource": resource,
            "request": {"method": "PUT", "url": f"{resource['resourceType']}/{resource.get('id', 'x')}"},
        }
        for number, resource in enumerate(resources, 1)
    ]
    return {"resourceType": "Bundle", "type": kind, "entry": entries} | changes


def errors(issues: list[Issue]) -> dict[str, str]:
    """Path -> text of each error."""
    return {issue.expression: issue.diagnostics for issue in issues if issue.severity == "error"}
