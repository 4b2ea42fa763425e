"""The CapabilityStatement, made from the tables that the server works by, so that it claims what is there.

https://hl7.org/fhir/R4/capabilitystatement.html
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import orjson

from service.fhir.published import SEARCHED_BY, definition_of
from service.fhir.writable import Writable
from service.search.including import includes_of, reverse_includes_of
from service.search.parameters import Parameter, parameters

DATE = "2026-11-25"  # when the shape of this statement was last changed
INTERACTIONS = ("read", "vread", "history-instance", "search-type")
OPERATION_BASE = "http://hl7.org/fhir/OperationDefinition/"  # the operations of R4 itself
ON_EVERY_TYPE = "Resource"


@dataclass(frozen=True, slots=True)
class Beside:
    """What a server offers beside the stored resources.

    `published`: resource types of the artefacts. `operations`: resource type, or `Resource` for all of them, to names
    of R4's own operations, without the dollar sign. `instantiates`: CapabilityStatements that this server follows.
    `writable`: types that may be written and how. `system`: codes of the interactions with the server as a whole.
    `security`: how clients sign in. `rows`: rows of `resource` of types that are served by routes of their own.
    `more_operations`: rows of `operation` that are not R4's own, by type, `system` for those of the whole server.
    """

    published: Sequence[str] = ()
    operations: Mapping[str, Sequence[str]] = field(default_factory=dict)
    instantiates: Sequence[str] = ()
    writable: Mapping[str, Writable] = field(default_factory=dict)
    system: Sequence[str] = ()
    security: Mapping[str, Any] = field(default_factory=dict)
    rows: Sequence[Mapping[str, Any]] = ()
    more_operations: Mapping[str, Sequence[Mapping[str, str]]] = field(default_factory=dict)

    def operations_of(self, type_: str) -> list[dict[str, str]]:
        """The rows of `operation` of one resource type (capabilitystatement.html)."""
        of_type = [(type_, name) for name in self.operations.get(type_, ())]
        of_all = [(ON_EVERY_TYPE, name) for name in self.operations.get(ON_EVERY_TYPE, ())]
        own = [
            {"name": name, "definition": f"{OPERATION_BASE}{owner}-{name}"} for owner, name in sorted(of_type + of_all)
        ]
        return own + [dict(row) for row in self.more_operations.get(type_, ())]


def capability_statement(
    base: str,
    software_version: str,
    zone: str,
    supported_profiles: Mapping[str, Sequence[str]],
    beside: Beside | None = None,
) -> bytes:
    """CapabilityStatement of the server at `base` as bytes; `zone` is that of dates without an offset."""
    beside = beside or Beside()
    stored = [
        _resource(type_, of_type, supported_profiles.get(type_, ()), beside.operations_of(type_))
        | _writing(beside.writable.get(type_))
        for type_, of_type in parameters().items()
    ]
    published = [_published(type_, beside.operations_of(type_)) for type_ in beside.published]
    return orjson.dumps(
        {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": DATE,
            "kind": "instance",
            **({"instantiates": list(beside.instantiates)} if beside.instantiates else {}),
            "software": {"name": "closure-readings", "version": software_version},
            "implementation": {"description": "Readings of gradual wound closure as FHIR resources", "url": base},
            "fhirVersion": "4.0.1",
            "format": ["application/fhir+json", "json"],
            "rest": [
                {
                    "mode": "server",
                    "documentation": (
                        f"Dates in a search that carry no offset are read in the zone {zone}. {_written_here(beside)} "
                        "Values support decisions made under local "
                        "protocol by licensed staff; they do not replace looking at the wound."
                    ),
                    **({"security": dict(beside.security)} if beside.security else {}),
                    "resource": sorted([*stored, *published, *beside.rows], key=lambda row: row["type"]),
                    **({"interaction": [{"code": code} for code in beside.system]} if beside.system else {}),
                    **_operations([dict(row) for row in beside.more_operations.get("system", ())]),
                }
            ],
        }
    )


def interactions(statement: bytes) -> dict[str, frozenset[str]]:
    """Resource type -> codes of the interactions that a statement claims."""
    rows = orjson.loads(statement)["rest"][0]["resource"]
    return {row["type"]: frozenset(one["code"] for one in row["interaction"]) for row in rows if "interaction" in row}


def _resource(
    type_: str, of_type: Mapping[str, Parameter], profiles: Sequence[str], operations: Sequence[dict[str, str]]
) -> dict[str, Any]:
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
        **_listed("searchInclude", includes_of(type_)),
        **_listed("searchRevInclude", reverse_includes_of(type_)),
        "searchParam": [_search_parameter(each) for each in of_type.values()],
        **_operations(operations),
    }


def _search_parameter(parameter: Parameter) -> dict[str, str]:
    row = {"name": parameter.name, "definition": parameter.canonical, "type": parameter.kind}
    if parameter.name == "patient":
        row["documentation"] = "Chained once, as patient.identifier=system|value; no other chain is served."
    elif parameter.kind in ("quantity", "composite"):
        row["documentation"] = "Units of one dimension of UCUM find each other where the factor is exact: mm and cm."
    return row


def _listed(name: str, values: Sequence[str]) -> dict[str, Any]:
    return {name: list(values)} if values else {}


def _written_here(beside: Beside) -> str:
    if not beside.writable:
        return "Resources are derived from bedside readings and cannot be written here."
    return (
        "What is derived from bedside readings cannot be written here; a resource of the sender's own can, of the "
        "types that claim it."
    )


def _writing(writable: Writable | None) -> dict[str, Any]:
    """What a writable type claims beside reading."""
    if writable is None:
        return {}
    return {
        "interaction": [{"code": code} for code in (*INTERACTIONS, *writable.interactions)],
        "updateCreate": writable.update,
        "conditionalCreate": True,
        "conditionalUpdate": writable.update,
    }


def _published(type_: str, operations: Sequence[dict[str, str]]) -> dict[str, Any]:
    """Artefacts are read and searched; they change with the tables alone and have one version."""
    return {
        "type": type_,
        "interaction": [{"code": "read"}, {"code": "search-type"}],
        "versioning": "versioned",
        "readHistory": False,
        "updateCreate": False,
        "conditionalCreate": False,
        "conditionalRead": "full-support",
        "conditionalUpdate": False,
        "conditionalDelete": "not-supported",
        "searchParam": [
            {"name": name, "definition": definition_of(type_, name), "type": kind} for name, kind in SEARCHED_BY.items()
        ],
        **_operations(operations),
    }


def _operations(rows: Sequence[dict[str, str]]) -> dict[str, Any]:
    return {"operation": list(rows)} if rows else {}
