"""The actions of the table on one value: what is kept of it, None where nothing is.

Each is a function of the value, the step of the plan and the case (whose resource it is, in which release).
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.deidentify.dates import birth_year, shifted, year_of
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.vocabulary import Vocabulary

WITHHELD = "withheld"
_US = frozenset({"US", "USA"})
_REFERENCE = re.compile(r"([A-Z][A-Za-z]{0,63})/([A-Za-z0-9.-]{1,64})(/_history/[0-9]{1,9})?")
_ZIP = re.compile(r"([0-9]{3})[0-9]{2}(-[0-9]{4})?")


@dataclass(frozen=True, slots=True)
class Release:
    """What all resources of one output share. `types`: those that come out, so that a reference may lead there."""

    names: Pseudonyms
    vocabulary: Vocabulary
    types: frozenset[str]
    now: datetime


@dataclass(frozen=True, slots=True)
class Case:
    """One resource on its way: its type and id, and by how many days its patient's dates move."""

    release: Release
    type: str
    id: str
    days: int


Value = Any
Action = Callable[[Value, Case, Mapping[str, Any]], Value]


def action(name: str) -> Action:
    """The function of an action on a plain value; it gets the object that holds the value too."""
    return _ACTIONS[name]


def _keep(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value


def _pseudonym_id(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return case.release.names.id(case.type, value)


def _pseudonym(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return case.release.names.identifier(holder.get("system", ""), value)


def _pseudonym_system(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return f"{case.release.vocabulary.base}/sid/pseudonym"


def _reference(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    """A relative reference to what comes out too; all others lead outside."""
    found = _REFERENCE.fullmatch(value)
    if found is None or found[1] not in case.release.types:
        return None
    return f"{found[1]}/{case.release.names.id(found[1], found[2])}{found[3] or ''}"


def _site(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return f"{case.release.vocabulary.base}/site/{case.release.names.site()}"


def _year(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return year_of(value)


def _shifted(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return shifted(value, case.days)


def _birth_year(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return birth_year(value, case.release.now)


def _shifted_birth_year(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return birth_year(value, case.release.now, case.days)


def _words(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if value in case.release.vocabulary.words else None


def _numbered_words(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if case.release.vocabulary.knows_numbered(value) else None


def _concept_words(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    """The text of a concept; in place of a sentence, the words of the code that it stands beside."""
    known = case.release.vocabulary
    if value in known.words:
        return value
    codings = holder.get("coding", ())
    displays = (each.get("display") for each in codings if isinstance(each, dict) and known.knows_coding(each))
    return next((display for display in displays if display in known.words), None)


def _known_system(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if value in case.release.vocabulary.systems else None


def _version(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if re.fullmatch(r"[0-9]{1,9}", value) else None


def _known_canonical(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if value in case.release.vocabulary.canonicals else None


def _formula(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return {"text": case.release.vocabulary.formula(str(value.get("text", ""))) or WITHHELD}


def _withheld(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return {"display": WITHHELD}


def _rebuilt(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{case.type}, de-identified.</p></div>'
    return {"status": "generated", "div": div}


def _zip_digits(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    """The first three digits of a ZIP code, 000 for an area of 20,000 people or fewer; nothing of other postal codes.

    45 CFR 164.514(b)(2)(i)(B).
    """
    found = _ZIP.fullmatch(value)
    if found is None or holder.get("country") not in _US:
        return None
    return "000" if found[1] in case.release.vocabulary.small_areas else found[1]


def _us_state(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if holder.get("country") in _US and re.fullmatch(r"[A-Z]{2}", value) else None


def _country(value: Value, case: Case, holder: Mapping[str, Any]) -> Value:
    return value if re.fullmatch(r"[A-Z]{2,3}", value) else None


_ACTIONS: Mapping[str, Action] = {
    "keep": _keep,
    "pseudonym-id": _pseudonym_id,
    "pseudonym": _pseudonym,
    "pseudonym-system": _pseudonym_system,
    "reference": _reference,
    "site": _site,
    "year": _year,
    "shifted": _shifted,
    "birth-year": _birth_year,
    "shifted-birth-year": _shifted_birth_year,
    "version": _version,
    "words": _words,
    "concept-words": _concept_words,
    "numbered-words": _numbered_words,
    "known-system": _known_system,
    "known-canonical": _known_canonical,
    "formula": _formula,
    "withheld": _withheld,
    "rebuilt": _rebuilt,
    "zip-digits": _zip_digits,
    "us-state": _us_state,
    "country": _country,
}
