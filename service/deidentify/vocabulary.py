"""Which words, systems and canonicals may stay: those of the mapping tables, which nobody typed at a bedside."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.fhir.origin import HOSPITAL
from service.terminology import Terminology
from service.terminology.apart import read_apart
from service.terminology.tables import Row, folder_of_tables, read_tables

FILE = "deidentification-codes.csv"
COLUMNS = ("use", "mode", "system", "code", "display", "source")
Tree = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """What is known of the tables, and the codes that de-identification itself uses."""

    base: str
    words: frozenset[str]
    numbered: tuple[str, ...]  # words that a number may follow
    systems: frozenset[str]  # of units
    codings: frozenset[tuple[str, str]]
    canonicals: frozenset[str]  # profiles of this project
    extensions: frozenset[str]
    formulas: tuple[str, ...]
    small_areas: frozenset[str]  # first three ZIP digits of areas with 20,000 people or fewer
    labels: Mapping[str, Tree]  # mode -> Coding for meta.security
    activities: Mapping[str, Tree]  # mode -> CodeableConcept for Provenance.activity
    software: Tree  # CodeableConcept: what the software did
    age_group: Tree  # Extension: 90 or older

    def knows_coding(self, coding: Mapping[str, Any]) -> bool:
        """Whether a Coding is one of the tables, or their version; no other code is trusted to be one."""
        system, code = coding.get("system"), coding.get("code", "")
        if system == f"{self.base}/mapping-tables":
            return re.fullmatch(r"[0-9a-f]{12}", code) is not None
        return (system, code) in self.codings

    def knows_numbered(self, text: str) -> bool:
        """Whether a text is a known word, or a known word and a number."""
        word, _, number = text.rpartition(" ")
        return text in self.words or (word in self.numbered and re.fullmatch(r"[0-9]{1,3}", number) is not None)

    def formula(self, text: str) -> str | None:
        """Words and version of the formula that a method names, without policy and bench table; None for others."""
        found = (known for known in self.formulas if text == f"{known})" or text.startswith(f"{known};"))
        known = next(found, None)
        return None if known is None else f"{known})"


def read_vocabulary(terms: Terminology, folder: Path | None = None) -> Vocabulary:
    """Take it from the tables. Raises TerminologyFault for a malformed `deidentification-codes.csv`."""
    own = read_apart(FILE, COLUMNS, ("use", "source"), ("use", "mode", "code", "display"), folder)
    tables = read_tables(folder or folder_of_tables()).rows
    hl7 = tables["hl7.csv"]
    extensions = {terms.extension(key) for key in terms.extension_rows}
    age_group = next(row for row in own if row["use"] == "extension")
    url = f"{terms.base}/StructureDefinition/{age_group['code']}"
    return Vocabulary(
        base=terms.base,
        words=frozenset(_words(tables, own)),
        numbered=tuple(row["display"] for row in own if row["use"] == "numbered-word"),
        systems=frozenset(terms.systems.values()),
        codings=frozenset(_codings(terms, hl7 + own)),
        canonicals=frozenset(profile.url for profile in terms.profiles.values()),
        extensions=frozenset(extensions | {url}),
        formulas=tuple(
            f"{each.text} (formula {each.concept}, version {each.version}" for each in terms.formulas.values()
        ),
        small_areas=frozenset(row["code"] for row in own if row["use"] == "zip-small-area"),
        labels={row["mode"]: _coding(row) for row in own if row["use"] == "label"},
        activities={row["mode"]: {"coding": [_coding(row)]} for row in own if row["use"] == "activity"},
        software=terms.hl7("provenance-agent", "assembler"),
        age_group={"url": url, "valueString": age_group["display"]},
    )


def _words(tables: Mapping[str, list[Row]], own: list[Row]) -> Iterator[str]:
    for file, columns in (
        ("concepts.csv", ("text",)),
        ("codings.csv", ("display",)),
        ("hl7.csv", ("display",)),
        ("units.csv", ("unit", "code")),
        ("absent.csv", ("text",)),
    ):
        yield from (row[column] for row in tables[file] for column in columns if row[column])
    yield from (row["display"] for row in own if row["use"] in ("word", "label", "activity"))


def _codings(terms: Terminology, rows: list[Row]) -> Iterator[tuple[str, str]]:
    for key in terms.concepts:
        yield from ((each["system"], each["code"]) for each in terms.concept(key)["coding"])
    yield from ((row["system"], row["code"]) for row in rows if row["system"])
    yield f"{terms.base}/origin", HOSPITAL


def _coding(row: Row) -> Tree:
    return {"system": row["system"], "code": row["code"], "display": row["display"]}
