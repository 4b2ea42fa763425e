"""Facts of FHIR R4 4.0.1 that the checks stand on: elements, types, bindings, reference targets, constraints, units.

The tables are generated (see `generate.py`) and read one at a time when first asked for, so that a start costs nothing.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import orjson
from msgspec import Struct

TABLES_FOLDER = Path(__file__).with_name("tables")

_ANY: frozenset[str] = frozenset()


class Element(Struct, frozen=True):
    """One element of a type or backbone element.

    `types` maps the name of each allowed type to its reference targets (empty: any). `same_as` is the path of a
    content reference. `codes` names the value set of a required binding. `choice` is true for `value[x]`.
    """

    path: str
    name: str
    minimum: int
    repeats: bool
    types: dict[str, frozenset[str]]
    same_as: str
    codes: str
    choice: bool


def _table(name: str) -> Any:
    return orjson.loads((TABLES_FOLDER / name).read_bytes())


@cache
def _datatypes() -> Any:
    return _table("datatypes.json")


@cache
def _resource(name: str) -> Any:
    return _table(f"{name}.json")


@cache
def resource_types() -> frozenset[str]:
    """The names of all R4 resource types."""
    return codes("resource-types") - {"Resource", "DomainResource"}


@cache
def tabled_types() -> frozenset[str]:
    """The resource types that have a table here."""
    names = (file.name for file in TABLES_FOLDER.iterdir())
    return frozenset(name[:-5] for name in names if name[0].isupper())


@cache
def elements(path: str) -> dict[str, Element]:
    """The elements of a datatype, a resource type or a backbone element such as `Observation.component`.

    Raises KeyError when the path has no table.
    """
    types = _datatypes()["types"]
    lines = types[path] if path in types else _resource(path.partition(".")[0])[path]
    return {name: _element(path, name, line) for name, line in lines.items()}


def has_children(path: str) -> bool:
    """True for the path of a backbone element."""
    root = path.partition(".")[0]
    types = _datatypes()["types"]
    return path in types or (root not in types and path in _resource(root))


def _element(path: str, name: str, line: str) -> Element:
    """One line of a table: `0..* Reference(Patient|Group), string {value-set}`."""
    minimum, _, rest = line.partition("..")
    maximum, _, types = rest.partition(" ")
    if not (minimum.isdigit() and (maximum.isdigit() or maximum == "*") and types):
        raise ValueError(f"{path}.{name}: {line!r} is no line of a table")
    listed, _, codes = types.removesuffix("}").partition(" {")
    same_as = listed[1:] if listed.startswith("#") else ""
    return Element(
        path=path,
        name=name.removesuffix("[x]"),
        minimum=int(minimum),
        repeats=maximum != "1",
        types=_types("BackboneElement" if same_as else listed),
        same_as=same_as,
        codes=codes,
        choice=name.endswith("[x]"),
    )


@cache
def _types(text: str) -> dict[str, frozenset[str]]:
    """The allowed types of a line; many lines say the same."""
    found = {}
    for each in _datatypes()["open"] if text == "*" else text.split(", "):
        name, _, targets = each.partition("(")
        found[name] = frozenset(targets.removesuffix(")").split("|")) if targets else _ANY
    return found


@cache
def _value_sets() -> Any:
    return _table("codes.json")["value_sets"]


@cache
def codes(value_set: str) -> frozenset[str]:
    """The codes of a required binding; empty for the open set of media types."""
    return frozenset(code for listed in _value_sets().get(value_set, {}).values() for code in listed)


@cache
def codings(value_set: str) -> frozenset[tuple[str, str]]:
    """The (system, code) pairs of a required binding."""
    listed = _value_sets().get(value_set, {})
    return frozenset((system, code) for system, all_codes in listed.items() for code in all_codes)


@cache
def primitives() -> dict[str, str | None]:
    """Primitive type -> its published regular expression."""
    found: dict[str, str | None] = _table("primitives.json")
    return found


@cache
def constraints() -> dict[str, dict[str, str]]:
    """Constraint key -> severity, wording (`human`), path and FHIRPath expression as published."""
    found: dict[str, dict[str, str]] = _table("constraints.json")
    return found


@cache
def common_units() -> frozenset[str]:
    """The UCUM codes of ValueSet ucum-common."""
    return frozenset(_table("ucum.json")["codes"])
