"""The search parameters of each resource type, read once from the table beside this file."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Literal

Kind = Literal["token", "reference", "date", "string", "quantity", "composite"]
Slot = Literal[
    "id",  # the resource's own id
    "last_updated",  # instant of its current version
    "patient",  # the patient it is about, an indexed column
    "identifier",  # business identifiers, rows of their own
    "code_set",  # what it is a record of, an indexed column
    "token_set",  # its other codes
    "date",  # its main date, an indexed column
    "other_date",  # one more date
    "value",  # the number that was observed, columns of its own
    "component",  # numbers of components, a list of its own
    "value_or_component",  # either
    "terms",  # references and strings, read within the rows that the indexed columns leave
]

DEFINITION_BASE = "http://hl7.org/fhir/SearchParameter/"
CODE_SET_NAMES = frozenset({"code", "component-code", "combo-code"})
_QUANTITY_SLOTS: Mapping[str, Slot] = {
    "value-quantity": "value",
    "component-value-quantity": "component",
    "combo-value-quantity": "value_or_component",
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one resource type."""

    name: str
    kind: Kind
    definition: str
    slot: Slot
    paths: tuple[tuple[str, ...], ...] = ()
    targets: frozenset[str] = field(default_factory=frozenset)
    system: str = ""
    parts: tuple[str, ...] = ()  # of a composite: the parameters that are joined

    @property
    def canonical(self) -> str:
        """URL of the parameter's definition in R4."""
        return DEFINITION_BASE + self.definition


COMMON = (
    Parameter("_id", "token", "Resource-id", "id"),
    Parameter("_lastUpdated", "date", "Resource-lastUpdated", "last_updated"),
)


@cache
def parameters() -> Mapping[str, Mapping[str, Parameter]]:
    """Resource type -> parameter name -> parameter, `_id` and `_lastUpdated` included.

    Raises ValueError when the table gives one type more dates than there are columns.
    """
    table = tomllib.loads(files(__package__).joinpath("parameters.toml").read_text("utf-8"))
    return {type_: _of_type(type_, lines) for type_, lines in table.items()}


def parameters_of(type_: str) -> Mapping[str, Parameter]:
    """The parameters of one type; KeyError for a type that is not served."""
    return parameters()[type_]


def _of_type(type_: str, lines: Mapping[str, Mapping[str, Any]]) -> dict[str, Parameter]:
    dates = [name for name, line in lines.items() if line["kind"] == "date"]
    if len(dates) > 2:
        raise ValueError(f"{type_}: {len(dates)} dates, there is room for two")
    of_type = {parameter.name: parameter for parameter in COMMON}
    for name, line in lines.items():
        of_type[name] = Parameter(
            name,
            line["kind"],
            line["definition"],
            _slot(line.get("parts", [name])[-1], line["kind"], dates),
            tuple(tuple(path.split(".")) for path in line.get("paths", ())),
            frozenset(line.get("targets", ())),
            line.get("system", ""),
            tuple(line.get("parts", ())),
        )
    return of_type


def _slot(name: str, kind: str, dates: list[str]) -> Slot:
    if kind == "token":
        return "identifier" if name == "identifier" else "code_set" if name in CODE_SET_NAMES else "token_set"
    if kind in ("quantity", "composite"):
        return _QUANTITY_SLOTS[name]
    if kind == "date":
        return "date" if name == dates[0] else "other_date"
    return "patient" if name == "patient" else "terms"
