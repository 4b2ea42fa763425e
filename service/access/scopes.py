"""Scopes: SMART `system/Type.cruds`, its version 1 spelling, and the service's own words for what is not FHIR.

Source: SMART App Launch 2.2.0, Scopes for requesting FHIR Resources: c create, r read with vread and history of an
instance, u update with patch, d delete, s search with history of a type and of the system; letters in that order.
Version 1 (`permission-v1`): `.read` is `.rs`, `.write` is `.cud`, `.*` is `.cruds`.

Own scopes carry a colon and no slash, which no FHIR scope does; neither can be mistaken for the other.
"""

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from service.access.faults import ScopeFault
from service.fhir.r4 import resource_types

LETTER_OF = {
    "create": "c",
    "read": "r",
    "vread": "r",
    "history-instance": "r",
    "update": "u",
    "patch": "u",
    "delete": "d",
    "search-type": "s",
    "history-type": "s",
    "search-system": "s",
    "history-system": "s",
}
INTAKE_READ, INTAKE_WRITE, CHART_LINK = "intake:read", "intake:write", "chart-link:create"
OWN = {
    INTAKE_READ: "read course views and the due board, preview a document",
    INTAKE_WRITE: "send course files and entries",
    CHART_LINK: "get a one-time link that opens one course in a chart's frame",
}
LONGEST = 4000

_TOKEN = re.compile(r"[\x21\x23-\x5b\x5d-\x7e]+")  # RFC 6749 appendix A.4
_SYSTEM = re.compile(r"system/(?P<type>\*|[A-Z][A-Za-z]{0,63})\.(?P<granted>\S+)")
_LETTERS = re.compile(r"(?=.)c?r?u?d?s?")
_VERSION_1 = {"read": "rs", "write": "cud", "*": "cruds"}


@dataclass(frozen=True, slots=True)
class FhirScope:
    """One scope on resources; `type` is a resource type or `*`, `text` how the client spelt it."""

    type: str
    letters: str
    text: str

    def covers(self, type_: str, letter: str) -> bool:
        """Whether it grants an interaction, by its letter, on a type (`*`: on all types)."""
        return self.type in ("*", type_) and letter in self.letters


@dataclass(frozen=True, slots=True)
class Scopes:
    """What was granted or may be asked for, each scope once, in the order given."""

    fhir: tuple[FhirScope, ...] = ()
    own: tuple[str, ...] = ()

    def __str__(self) -> str:
        return " ".join(self)

    def __iter__(self) -> Iterator[str]:
        yield from (each.text for each in self.fhir)
        yield from self.own

    def __bool__(self) -> bool:
        return bool(self.fhir or self.own)

    def allows(self, type_: str, interaction: str) -> bool:
        """Whether an interaction (R4 type-restful-interaction) on a type is granted; `*` asks for all types.

        Raises KeyError for an interaction that no letter stands for: a transaction is checked entry by entry.
        """
        return self.covers(type_, LETTER_OF[interaction])

    def covers(self, type_: str, letter: str) -> bool:
        """Whether any of the scopes grants a letter on a type."""
        return any(each.covers(type_, letter) for each in self.fhir)

    def within(self, allowed: "Scopes") -> list[str]:
        """The scopes that go beyond `allowed`, in words as given; none when all are within."""
        beyond = [
            each.text for each in self.fhir if not all(allowed.covers(each.type, letter) for letter in each.letters)
        ]
        return beyond + [each for each in self.own if each not in allowed.own]


def parse_scopes(text: str, served_types: Collection[str] | None = None, *, pass_over: bool = False) -> Scopes:
    """Scopes of a text separated by blanks; `served_types` are those that may be named, None for any.

    `pass_over`: types of R4 that are not served are left out, as long as anything else is asked for.

    Raises ScopeFault for anything that is not understood or offered: another context than `system`, letters out of
    order, a search suffix `?param=`, an unknown own scope, nothing at all.
    """
    if len(text) > LONGEST:
        raise ScopeFault(f"scope is longer than {LONGEST} characters")
    words = [word for word in text.split(" ") if word]
    if not words:
        raise ScopeFault("scope is empty")
    fhir: dict[str, FhirScope] = {}
    own: dict[str, None] = {}
    if pass_over and served_types is not None:
        words = [word for word in words if not _is_unserved(word, served_types)] or words
    for word in words:
        if not _TOKEN.fullmatch(word):
            raise ScopeFault("scope holds a character that RFC 6749 does not allow there")
        if word in OWN:
            own[word] = None
        else:
            fhir[word] = _fhir_scope(word, served_types)
    return Scopes(tuple(fhir.values()), tuple(own))


def _fhir_scope(word: str, served_types: Collection[str] | None) -> FhirScope:
    if "?" in word:
        raise ScopeFault(f"{_shown(word)}: a scope limited by search parameters is not supported")
    found = _SYSTEM.fullmatch(word)
    if not found:
        if word.startswith(("patient/", "user/")):
            raise ScopeFault(f"{_shown(word)}: only system scopes are granted, nobody signs in here as a user")
        raise ScopeFault(f"{_shown(word)} is no scope of this service")
    type_, granted = found["type"], found["granted"]
    letters = _VERSION_1.get(granted, granted)
    if not _LETTERS.fullmatch(letters):
        raise ScopeFault(f"{_shown(word)}: after the dot stand letters of cruds in that order, or read, write or *")
    if served_types is not None and type_ != "*" and type_ not in served_types:
        raise ScopeFault(f"{_shown(word)}: resources of this type are not served")
    return FhirScope(type_, letters, word)


def _is_unserved(word: str, served_types: Collection[str]) -> bool:
    found = _SYSTEM.fullmatch(word)
    return found is not None and found["type"] in resource_types() and found["type"] not in served_types


def _shown(word: str) -> str:
    return word[:100]


def supported_scopes(served_types: Collection[str]) -> list[str]:
    """What discovery lists: reading and searching every type and each one, and the own scopes."""
    return ["system/*.rs", *(f"system/{type_}.rs" for type_ in sorted(served_types)), *OWN]
