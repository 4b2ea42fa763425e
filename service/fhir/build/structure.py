"""StructureDefinition (http://hl7.org/fhir/R4/structuredefinition.html) of every profile and own extension.

The differential holds exactly what `service.fhir.profiles` checks: both come from the same rows. The snapshot is the
published base with the differential put into it.
"""

from typing import Any

from service.fhir.build.snapshot import snapshot
from service.fhir.build.values import narrative
from service.terminology import Profile, Terminology

Tree = dict[str, Any]


def computer_name(key: str) -> str:
    """A name as programs like it: `gap-width` is GapWidth."""
    return "".join(part.capitalize() for part in key.split("-"))


def published(terms: Terminology) -> Tree:
    """What every artefact says about itself."""
    canonical = terms.canonical
    return {"status": "draft", "date": canonical["date"], "publisher": canonical["publisher"]}


def _definition(terms: Terminology, key: str, title: str, description: str) -> Tree:
    return {
        "resourceType": "StructureDefinition",
        "id": key,
        "text": narrative(f"{title}. {description}"),
        "url": f"{terms.base}/StructureDefinition/{key}",
        "version": terms.canonical["version"],
        "name": computer_name(key),
        "title": title,
        **published(terms),
        "description": description,
        "fhirVersion": terms.canonical["fhir_version"],
    }


def profile_definition(terms: Terminology, profile: Profile) -> Tree:
    """One profile: its snapshot and its differential."""
    root: Tree = {"id": profile.type, "path": profile.type}
    if profile.invariants:
        root["constraint"] = [
            {
                "key": row["key"],
                "severity": row["severity"],
                "human": row["human"],
                "expression": row["expression"],
                "source": profile.url,
            }
            for row in profile.invariants
        ]
    differential = [root, *(_element(terms, row) for row in profile.elements)]
    return {
        **_definition(terms, profile.key, profile.title, profile.description),
        "kind": "resource",
        "abstract": False,
        "type": profile.type,
        "baseDefinition": f"{terms.canonical['structure_definitions']}/{profile.type}",
        "derivation": "constraint",
        "snapshot": {"element": snapshot(profile.type, differential)},
        "differential": {"element": differential},
    }


def _element(terms: Terminology, row: dict[str, str]) -> Tree:
    element: Tree = {"id": row["path"], "path": row["path"]}
    if row["comment"]:
        element["short"] = row["comment"]
    element |= {"min": int(row["min"]), "max": row["max"]}
    kind, _, key = row["pattern"].partition(":")
    if kind == "unit":
        unit = terms.unit(key)
        element["type"] = [{"code": "Quantity"}]
        element["patternQuantity"] = {"system": unit["system"], "code": unit["code"]}
    elif kind == "concept":
        coding = terms.coding(key)
        element["patternCodeableConcept"] = {"coding": [{"system": coding["system"], "code": coding["code"]}]}
    return element | {"mustSupport": True}


def extension_definition(terms: Terminology, key: str) -> Tree:
    """One extension of our own: a single value, at one place."""
    row = terms.extension_rows[key]
    differential: list[Tree] = [
        {"id": "Extension", "path": "Extension", "short": row["text"], "max": "1"},
        {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
        {"id": "Extension.url", "path": "Extension.url", "fixedUri": terms.extension(key)},
        {"id": "Extension.value[x]", "path": "Extension.value[x]", "min": 1, "type": [_value_type(terms, row)]},
    ]
    return {
        **_definition(terms, key, computer_name(key), row["text"]),
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": row["context"]}],
        "type": "Extension",
        "baseDefinition": f"{terms.canonical['structure_definitions']}/Extension",
        "derivation": "constraint",
        "snapshot": {"element": snapshot("Extension", differential)},
        "differential": {"element": differential},
    }


def _value_type(terms: Terminology, row: dict[str, str]) -> Tree:
    """`Quantity`, or `Reference(Device)` with its target."""
    code, _, target = row["value"].rstrip(")").partition("(")
    if not target:
        return {"code": code}
    return {"code": code, "targetProfile": [f"{terms.canonical['structure_definitions']}/{target}"]}
