"""`mappings/measures.toml`: how a course ends, what is a complication, and which Measures are made of it."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.terminology import Terminology
from service.terminology.tables import Fault, TerminologyFault, folder_of_tables

__all__ = ["Complication", "Definitions", "MeasureDefinition", "load_definitions"]

FILE = "measures.toml"


@dataclass(frozen=True, slots=True)
class Complication:
    """A complication with the own codes of the findings and alerts that are one."""

    key: str
    label: str
    skin: tuple[str, ...]
    alerts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeasureDefinition:
    """A proportion over the cohort: columns of numerator and denominator, and its words."""

    key: str
    words: Mapping[str, str]

    @property
    def numerator(self) -> str:
        """Column of the cohort that is true for what counts."""
        return self.words["numerator"]

    @property
    def denominator(self) -> str:
        """Column of the cohort that is true for what it is counted among."""
        return self.words["denominator"]


@dataclass(frozen=True, slots=True)
class Definitions:
    """The file, with own codes in the place of concept keys. `endings` maps an outcome code to an ending."""

    endings: Mapping[str, str]
    ending_labels: Mapping[str, str]
    complications: tuple[Complication, ...]
    application: str
    smallest: int
    measures: tuple[MeasureDefinition, ...]
    standard: Mapping[str, Mapping[str, str]]

    def coded(self, set_: str, code: str) -> dict[str, Any]:
        """CodeableConcept of a standard code, e.g. `coded("population", "numerator")`. Raises KeyError."""
        listed = self.standard[set_]
        return {"coding": [{"system": listed["system"], "code": code, "display": listed[code]}], "text": listed[code]}


def load_definitions(terms: Terminology, folder: Path | None = None) -> Definitions:
    """Read the definitions. Raises TerminologyFault with every key that no concept has."""
    told: dict[str, Any] = tomllib.loads(((folder or folder_of_tables()) / FILE).read_text())
    codes = _Codes(terms)
    endings = {code: ending for ending, keys in told["endings"].items() for code in codes.of(f"endings.{ending}", keys)}
    complications = tuple(
        Complication(
            key, row["label"], codes.of(f"complications.{key}.skin", row.get("skin", ())),
            codes.of(f"complications.{key}.alert", row.get("alert", ())),
        )
        for key, row in told["complications"].items()
    )  # fmt: skip
    (application,) = codes.of("codes.application", [told["codes"]["application"]]) or ("",)
    if faults := [*codes.faults, *_faults_of_endings(told)]:
        raise TerminologyFault(faults)
    measures = tuple(MeasureDefinition(key, row) for key, row in told["measures"].items())
    smallest = int(told["suppression"]["smallest"])
    return Definitions(endings, told["ending-labels"], complications, application, smallest, measures, told["standard"])


def _faults_of_endings(told: Mapping[str, Any]) -> list[Fault]:
    """`closed` is what the report is about, and every ending needs words."""
    missing = [name for name in ("closed",) if name not in told["endings"]]
    unnamed = [name for name in (*told["endings"], "open") if name not in told["ending-labels"]]
    faults = [Fault(FILE, 0, f"endings: {name!r} is needed") for name in missing]
    return faults + [Fault(FILE, 0, f"ending-labels: {name!r} has no words") for name in unnamed]


class _Codes:
    """Own codes of concepts; what is missing is gathered, so that all faults are told at once."""

    def __init__(self, terms: Terminology) -> None:
        self._concepts = terms.concepts
        self.faults: list[Fault] = []

    def of(self, place: str, keys: Sequence[str]) -> tuple[str, ...]:
        found = []
        for key in keys:
            if key in self._concepts and self._concepts[key].code:
                found.append(self._concepts[key].code)
            else:
                self.faults.append(Fault(FILE, 0, f"{place}: no concept {key!r} with a code of its own"))
        return tuple(found)
