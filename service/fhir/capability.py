"""The CapabilityStatement, made from the tables that the server works by, so that it claims what is there.

https://hl7.org/fhir/R4/capabilitystatement.html
"""

from collections.abc import Mapping, Sequence
from typing import Any

import orjson

from service.search.parameters import Parameter, parameters

DATE = "2026-11-25"  # when the shape of this statement was last changed
INTERACTIONS = ("read", "vread", "history-instance", "search-type")


def capability_statement(
    base: str, software_version: str, zone: str, supported_profiles: Mapping[str, Sequence[str]]
) -> bytes:
    """CapabilityStatement of the server at `base` as bytes; `zone` is that of dates without an offset."""
    return orjson.dumps(
        {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": DATE,
            "kind": "instance",
            "software": {"name": "closure-readings", "version": software_version},
            "implementation": {"description": "Readings of gradual wound closure as FHIR resources", "url": base},
            "fhirVersion": "4.0.1",
            "format": ["application/fhir+json", "json"],
            "rest": [
                {
                    "mode": "server",
                    "documentation": (
                        f"Dates in a search that carry no offset are read in the zone {zone}. Resources are derived "
                        "from bedside readings and cannot be written here. Values support decisions made under local "
                        "protocol by licensed staff; they do not replace looking at the wound."
                    ),
                    "security": {"description": "No sign-in; the server answers on the machine's own address only."},
                    "resource": [
                        _resource(type_, of_type, supported_profiles.get(type_, ()))
                        for type_, of_type in sorted(parameters().items())
                    ],
                }
            ],
        }
    )


def _resource(type_: str, of_type: Mapping[str, Parameter], profiles: Sequence[str]) -> dict[str, Any]:
    named = {"supportedProfile": list(profiles)} if profiles else {}
    return {
        "type": type_,
        **named,
        "interaction": [{"code": code} for code in INTERACTIONS],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": False,
        "conditionalCreate": False,
        "conditionalRead": "full-support",
        "conditionalUpdate": False,
        "conditionalDelete": "not-supported",
        "searchParam": [
            {"name": each.name, "definition": each.canonical, "type": each.kind} for each in of_type.values()
        ],
    }
