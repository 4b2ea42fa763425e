"""The codes and units that no StructureDefinition carries, taken out of two official npm packages.

`codes.json`: the expansions of the required value sets, hl7.fhir.r4.expansions 4.0.1 (CC0-1.0). `ucum.json`: ValueSet
ucum-common, hl7.fhir.r4.examples 4.0.1. Both are committed, so that the tables can be made without npm.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def expansion(contains: list[dict[str, Any]], into: dict[str, set[str]]) -> dict[str, set[str]]:
    """System -> codes of an expansion, abstract groupings left out."""
    for entry in contains:
        if not entry.get("abstract") and "code" in entry:
            into.setdefault(entry["system"], set()).add(entry["code"])
        expansion(entry.get("contains", []), into)
    return into


def extract_codes(folder: Path, value_sets: list[str]) -> str:
    """Text of codes.json from the unpacked hl7.fhir.r4.expansions."""
    published = {}
    for file in sorted(folder.glob("ValueSet-*.json")):
        value_set = json.loads(file.read_text(encoding="utf-8"))
        published[value_set["url"]] = value_set
    table = {}
    for canonical in value_sets:
        codes = expansion(published[canonical].get("expansion", {}).get("contains", []), {})
        if codes:
            table[canonical.rpartition("/")[2]] = {system: sorted(codes[system]) for system in sorted(codes)}
    return _one_line_each("hl7.fhir.r4.expansions 4.0.1 (CC0-1.0)", "value_sets", table)


def extract_units(folder: Path) -> str:
    """Text of ucum.json: the codes of ValueSet ucum-common from the unpacked hl7.fhir.r4.examples."""
    file = folder / "ValueSet-ucum-common.json"
    value_set = json.loads(file.read_text(encoding="utf-8"))
    codes = sorted({c["code"] for include in value_set["compose"]["include"] for c in include.get("concept", ())})
    source = "hl7.fhir.r4.examples 4.0.1, ValueSet ucum-common"
    return _one_line_each(source, "codes", dict.fromkeys(codes, 1), bare=True)


def _one_line_each(source: str, key: str, table: Mapping[str, Any], bare: bool = False) -> str:
    rows = [json.dumps(k) if bare else f"{json.dumps(k)}: {json.dumps(v)}" for k, v in table.items()]
    opened, closed = ("[", "]") if bare else ("{", "}")
    body = ",\n".join(rows)
    return f'{{"source": {json.dumps(source)},\n"{key}": {opened}\n{body}\n{closed}}}\n'
