"""The published snapshots that profiles derive from: R4 4.0.1 StructureDefinitions without their mappings and remarks.

The tables in `tables/snapshots` are generated (see `generate.py`), one element a line. A constraint stands in them by
its key; `elements_of` puts its words and its source back (http://hl7.org/fhir/R4/elementdefinition.html).
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from service.fhir.r4 import TABLES_FOLDER

Tree = dict[str, Any]
FOLDER = "snapshots"
# Types that profiles constrain, and the datatypes whose children a profile may name.
NAMES = (
    *("Patient", "Encounter", "BodyStructure", "Condition", "CarePlan", "Goal", "Procedure", "Device"),
    *("DeviceUseStatement", "Observation", "Task", "Flag", "DiagnosticReport", "Provenance", "Extension"),
    *("Practitioner", "Organization", "QuestionnaireResponse", "AuditEvent"),
    *("Identifier", "CodeableConcept", "Coding", "Period", "Quantity", "Reference", "HumanName"),
)
_KEPT = (
    *("id", "path", "representation", "sliceName", "slicing", "short", "definition", "min", "max", "base"),
    *("contentReference", "type", "condition", "constraint", "isModifier", "isModifierReason", "isSummary", "binding"),
)
_OF_A_RULE = ("key", "requirements", "severity", "human", "expression")


class NoSnapshot(LookupError):
    """No snapshot of this type was generated; NAMES says which are."""


def elements_of(type_name: str) -> list[Tree]:
    """The elements of a type's snapshot, the caller's to change. Raises `NoSnapshot`."""
    table = _table(type_name)
    elements = copy.deepcopy(table["element"])
    for element in elements:
        if "constraint" in element:
            element["constraint"] = [dict(table["constraint"][key]) for key in element["constraint"]]
    found: list[Tree] = elements
    return found


@cache
def _table(type_name: str) -> Tree:
    file = TABLES_FOLDER / FOLDER / f"{type_name}.json"
    if not file.is_file():
        raise NoSnapshot(type_name)
    found: Tree = json.loads(file.read_bytes())
    return found


def snapshot_text(definition: Mapping[str, Any]) -> str:
    """A published StructureDefinition as the text of its table."""
    constraints: dict[str, Tree] = {}
    lines = [_line(element, str(definition["url"]), constraints) for element in definition["snapshot"]["element"]]
    rows = ",\n".join(f"{json.dumps(key)}: {_text(row)}" for key, row in constraints.items())
    return f'{{"constraint": {{\n{rows}\n}},\n"element": [\n' + ",\n".join(lines) + "\n]}\n"


def _line(element: Mapping[str, Any], url: str, constraints: dict[str, Tree]) -> str:
    kept = {key: element[key] for key in _KEPT if key in element}
    if "binding" in kept:
        kept["binding"] = {key: value for key, value in kept["binding"].items() if key != "extension"}
    if "constraint" in kept:
        kept["constraint"] = [key for key, _ in _constraints(kept["constraint"], url, constraints)]
    return _text(kept)


def _constraints(rules: list[Tree], url: str, constraints: dict[str, Tree]) -> Iterator[tuple[str, Tree]]:
    """Each rule by its key; one that names no source was made by the type itself."""
    for rule in rules:
        kept: Tree = {key: rule[key] for key in _OF_A_RULE if key in rule}
        kept["source"] = rule.get("source", url)
        if constraints.setdefault(rule["key"], kept) != kept:
            raise ValueError(f"{rule['key']} stands in {url} with two meanings")
        yield rule["key"], kept


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
