"""Codes, units, profiles and formulas of the mapping tables as one frozen object with its sub-trees built once.

No code, display or system URL stands in Python: `load` reads them from `mappings/`, checks them whole and refuses them
whole. The dicts that it hands out are shared by every resource that uses them: they are read, never written to.
"""

from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct

from service.terminology.forms import Form, forms_of
from service.terminology.soundness import faults_of
from service.terminology.tables import Fault, Row, Tables, TerminologyFault, folder_of_tables, read_tables

__all__ = ["Concept", "Fault", "Formula", "Profile", "Terminology", "TerminologyFault", "load"]

Tree = dict[str, Any]
_FIRST = frozenset({"equivalent", "equal"})


class Concept(Struct, frozen=True):
    """One row of concepts.csv with its rows of codings.csv."""

    key: str
    kind: str
    code: str  # local code; empty where the standard code alone serves
    text: str
    definition: str
    standard: tuple[Row, ...]  # an unmatched concept has none
    comment: str  # of an unmatched concept: what was looked at


class Formula(Struct, frozen=True):
    """How a measure is computed; the version moves when a figure may come out differently."""

    concept: str
    version: str
    text: str


class Profile(Struct, frozen=True):
    """One profile with its constraints, as the tables state them."""

    key: str
    url: str
    type: str
    title: str
    description: str
    elements: tuple[Row, ...]
    invariants: tuple[Row, ...]


class Terminology(Struct, frozen=True):
    """Everything that the mapping tables say. `version` is a digest of them; it goes into `meta.tag`."""

    base: str
    version: str
    canonical: Mapping[str, str]
    concepts: Mapping[str, Concept]
    formulas: Mapping[str, Formula]
    profiles: Mapping[str, Profile]
    notices: Mapping[str, str]
    alerts: Mapping[str, tuple[str, str]]  # concept -> (severity, flag category)
    extension_rows: Mapping[str, Row]
    systems: Mapping[str, str]
    absent_texts: Mapping[str, str]
    forms: Mapping[str, Form]
    _trees: Mapping[str, Tree]
    _hl7: Mapping[tuple[str, str], Tree]
    _units: Mapping[str, Tree]
    _absent: Mapping[str, Tree]

    @property
    def local_system(self) -> str:
        """URL of the project's own CodeSystem."""
        return self.systems["local"]

    def concept(self, key: str) -> Tree:
        """CodeableConcept of a concept: its codings and its text. Raises KeyError for a key that no table has."""
        return self._trees[key]

    def coding(self, key: str) -> Tree:
        """First coding of a concept. Raises KeyError for a key that no table has."""
        found: Tree = self._trees[key]["coding"][0]
        return found

    def hl7(self, name: str, code: str) -> Tree:
        """CodeableConcept of an HL7 code in use, e.g. `hl7("observation-category", "exam")`."""
        return self._hl7[name, code]

    def unit(self, key: str) -> Tree:
        """The unit, system and code of a Quantity, without its value."""
        return self._units[key]

    def quantity(self, value: Decimal | int, unit_key: str) -> Tree:
        """A Quantity; the value leaves with the digits it has."""
        return {"value": value, **self._units[unit_key]}

    def absent(self, reason: str, text: str | None = None) -> Tree:
        """CodeableConcept for `dataAbsentReason`; a reason that absent.csv does not know leaves as text only."""
        found = self._absent.get(reason)
        if found is None:
            return {"text": text or reason}
        return found if text is None else {"coding": found["coding"], "text": text}

    def absent_text(self, reason: str) -> str:
        """The words for a reason; the reason itself where the table has none."""
        return self.absent_texts.get(reason, reason)

    def profile(self, key: str) -> str:
        """Canonical URL of a profile."""
        return self.profiles[key].url

    def profiles_by_type(self) -> dict[str, list[str]]:
        """Canonical URLs of the profiles of each resource type."""
        found: dict[str, list[str]] = {}
        for profile in self.profiles.values():
            found.setdefault(profile.type, []).append(profile.url)
        return found

    def extension(self, key: str) -> str:
        """URL of an extension, published or our own."""
        row = self.extension_rows[key]
        return row["url"] or f"{self.base}/StructureDefinition/{key}"


def load(folder: Path | None = None) -> Terminology:
    """Read and check the mapping tables; `None` means those shipped with the package.

    Raises TerminologyFault that names every fault with file and row.
    """
    tables = read_tables(folder or folder_of_tables())
    if faults := faults_of(tables):
        raise TerminologyFault(faults)
    return _built(tables)


def _built(tables: Tables) -> Terminology:
    rows, base = tables.rows, tables.canonical["base"]
    systems = {row["key"]: row["url"] for row in rows["systems.csv"]} | {"local": f"{base}/CodeSystem/closure"}
    concepts = _concepts(rows)
    hl7 = {(row["set"], row["code"]): _hl7_tree(row) for row in rows["hl7.csv"]}
    return Terminology(
        base=base,
        version=tables.version,
        canonical=tables.canonical,
        concepts=concepts,
        formulas={r["concept"]: Formula(r["concept"], r["version"], r["text"]) for r in rows["formulas.csv"]},
        profiles=_profiles(rows, base),
        notices=tables.notices,
        alerts={row["concept"]: (row["severity"], row["category"]) for row in rows["alerts.csv"]},
        extension_rows={row["key"]: row for row in rows["extensions.csv"]},
        systems=systems,
        absent_texts={row["reason"]: row["text"] for row in rows["absent.csv"]},
        forms=forms_of(rows["questionnaire.csv"]),
        _trees={concept.key: _tree(concept, systems) for concept in concepts.values()},
        _hl7=hl7,
        _units={
            row["key"]: {"unit": row["unit"], "system": systems[row["system"]], "code": row["code"]}
            for row in rows["units.csv"]
        },
        _absent={
            row["reason"]: {"coding": hl7["data-absent-reason", row["code"]]["coding"], "text": row["text"]}
            for row in rows["absent.csv"]
        },
    )


def _concepts(rows: Mapping[str, list[Row]]) -> dict[str, Concept]:
    standard: dict[str, list[Row]] = {}
    comments: dict[str, str] = {}
    for row in rows["codings.csv"]:
        if row["equivalence"] == "unmatched":
            comments[row["concept"]] = row["comment"]
        else:
            standard.setdefault(row["concept"], []).append(row)
    return {
        row["key"]: Concept(
            row["key"], row["kind"], row["code"], row["text"], row["definition"],
            tuple(standard.get(row["key"], ())), comments.get(row["key"], ""),
        )
        for row in rows["concepts.csv"]
    }  # fmt: skip


def _tree(concept: Concept, systems: Mapping[str, str]) -> Tree:
    """Standard codes that mean the same come first, then our own code, then standard codes that mean more or less."""
    standard = [(row["equivalence"] in _FIRST, _coding(systems[row["system"]], row)) for row in concept.standard]
    same = [coding for first, coding in standard if first]
    near = [coding for first, coding in standard if not first]
    own = [{"system": systems["local"], "code": concept.code, "display": concept.text}] if concept.code else []
    return {"coding": [*same, *own, *near], "text": concept.text}


def _coding(system: str, row: Row) -> Tree:
    return {"system": system, "code": row["code"], "display": row["display"]}


def _hl7_tree(row: Row) -> Tree:
    return {"coding": [_coding(row["system"], row)], "text": row["display"]}


def _profiles(rows: Mapping[str, list[Row]], base: str) -> dict[str, Profile]:
    elements: dict[str, list[Row]] = {}
    invariants: dict[str, list[Row]] = {}
    for row in rows["profile-elements.csv"]:
        elements.setdefault(row["profile"], []).append(row)
    for row in rows["profile-invariants.csv"]:
        invariants.setdefault(row["profile"], []).append(row)
    return {
        row["key"]: Profile(
            row["key"], f"{base}/StructureDefinition/{row['key']}", row["type"], row["title"], row["description"],
            tuple(elements.get(row["key"], ())), tuple(invariants.get(row["key"], ())),
        )
        for row in rows["profiles.csv"]
    }  # fmt: skip
