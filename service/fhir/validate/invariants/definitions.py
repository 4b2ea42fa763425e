"""Constraints of the resources that define things: CapabilityStatement, StructureDefinition, ValueSet and their kin.

Left out: the constraints of ElementDefinition and most of StructureDefinition (eld-*, sdf-*), which bind the authors of
profiles and are checked when a profile is published; listed by the conformance test.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Walk

Json = dict[str, Any]


def distinct(values: Iterable[Any]) -> bool:
    """True when no value stands twice."""
    listed = list(values)
    return len(listed) == len(set(listed))


# CapabilityStatement: http://hl7.org/fhir/R4/capabilitystatement.html
@rule("CapabilityStatement", "cpb-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "rest" in value or "messaging" in value or "document" in value


@rule("CapabilityStatement", "cpb-2", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "description" in value or "software" in value or "implementation" in value


@rule("CapabilityStatement", "cpb-3", when="messaging")
def _(value: Json, walk: Walk) -> bool:
    return value["kind"] == "instance" or all("endpoint" not in m for m in value["messaging"])


@rule("CapabilityStatement", "cpb-7", when="document")
def _(value: Json, walk: Walk) -> bool:
    return distinct((d["profile"], d["mode"]) for d in value["document"])


@rule("CapabilityStatement.rest", "cpb-9", when="resource")
def _(value: Json, walk: Walk) -> bool:
    return distinct(r["type"] for r in value["resource"])


@rule("CapabilityStatement.rest.resource", "cpb-12", when="searchParam")
def _(value: Json, walk: Walk) -> bool:
    return distinct(p["name"] for p in value["searchParam"])


@rule("CapabilityStatement", "cpb-14", when="kind")
def _(value: Json, walk: Walk) -> bool:
    return value["kind"] != "instance" or "implementation" in value


@rule("CapabilityStatement", "cpb-15", when="kind")
def _(value: Json, walk: Walk) -> bool:
    return value["kind"] != "capability" or ("implementation" not in value and "software" in value)


@rule("CapabilityStatement", "cpb-16", when="kind")
def _(value: Json, walk: Walk) -> bool:
    return value["kind"] != "requirements" or ("implementation" not in value and "software" not in value)


# CodeSystem, ValueSet, ConceptMap
def _concept_codes(concepts: list[Json]) -> Iterator[str]:
    for concept in concepts:
        yield concept["code"]
        yield from _concept_codes(concept.get("concept", []))


@rule("CodeSystem", "csd-1", when="concept")
def _(value: Json, walk: Walk) -> bool:
    return distinct(_concept_codes(value["concept"]))


@rule("ValueSet.compose.include", "vsd-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "valueSet" in value or "system" in value


@rule("ValueSet.compose.include", "vsd-2", when=("concept", "filter"), of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "system" in value


@rule("ValueSet.compose.include", "vsd-3", when="filter", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "concept" not in value


@rule("ValueSet.expansion.contains", "vsd-6", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "code" in value or "display" in value


@rule("ValueSet.expansion.contains", "vsd-9")
def _(value: Json, walk: Walk) -> bool:
    return "code" in value or value.get("abstract") is True


@rule("ValueSet.expansion.contains", "vsd-10", when="code", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "system" in value


@rule("ConceptMap.group.element.target", "cmd-1", when="equivalence")
def _(value: Json, walk: Walk) -> bool:
    return "comment" in value or value["equivalence"] not in ("narrower", "inexact")


@rule("ConceptMap.group.unmapped", "cmd-2", when="mode")
def _(value: Json, walk: Walk) -> bool:
    return value["mode"] != "fixed" or "code" in value


@rule("ConceptMap.group.unmapped", "cmd-3", when="mode")
def _(value: Json, walk: Walk) -> bool:
    return value["mode"] != "other-map" or "url" in value


# StructureDefinition, SearchParameter, OperationDefinition
@rule("StructureDefinition", "sdf-4")
def _(value: Json, walk: Walk) -> bool:
    return value.get("abstract") is True or "baseDefinition" in value


@rule("StructureDefinition", "sdf-5", when="type")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] != "Extension" or value.get("derivation") == "specialization" or "context" in value


@rule("StructureDefinition", "sdf-6", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "snapshot" in value or "differential" in value


@rule("StructureDefinition.mapping", "sdf-2", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "name" in value or "uri" in value


@rule("StructureDefinition", "sdf-14", when=("snapshot", "differential"))
def _(value: Json, walk: Walk) -> bool:
    return all("id" in e for part in ("snapshot", "differential") for e in value.get(part, {}).get("element", ()))


@rule("SearchParameter", "spd-1", when="xpath", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "xpathUsage" in value


@rule("SearchParameter", "spd-2", when="chain")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["type"] == "reference")


@rule("OperationDefinition.parameter", "opd-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "type" in value or "part" in value


@rule("OperationDefinition.parameter", "opd-2", when="searchType")
def _(value: Json, walk: Walk) -> bool:
    return value.get("type") == "string"


@rule("OperationDefinition.parameter", "opd-3", when="targetProfile")
def _(value: Json, walk: Walk) -> bool:
    return value.get("type") in ("Reference", "canonical")


# ImplementationGuide
@rule("ImplementationGuide.definition", "ig-1", when="resource")
def _(value: Json, walk: Walk) -> bool:
    groups = {g.get("id") for g in value.get("grouping", ())}
    return all(r["groupingId"] in groups for r in value["resource"] if "groupingId" in r)


@rule("ImplementationGuide", "ig-2", when="definition")
def _(value: Json, walk: Walk) -> bool:
    listed = set(value["fhirVersion"])
    return all(set(r.get("fhirVersion", ())) <= listed for r in value["definition"].get("resource", ()))
