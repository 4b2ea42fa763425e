"""The published artefacts as resources to be read and searched: held in memory, since they come from the tables alone.

Search parameters are those that R4 gives every artefact (http://hl7.org/fhir/R4/searchparameter-registry.html). The
version of an artefact is a digest of its content, so that its entity tag changes when a table was edited.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any, NamedTuple

from service.fhir import wire
from service.search.criteria import SearchError
from service.search.query import DEFAULT_COUNT, MAX_COUNT
from service.search.values import fold

Tree = dict[str, Any]
SEARCHED_BY: Mapping[str, str] = {
    "_id": "token",
    "name": "string",
    "status": "token",
    "url": "uri",
    "version": "token",
}
STATUS_SYSTEM = "http://hl7.org/fhir/publication-status"  # implied by the required binding of `status`
_DEFINITIONS = "http://hl7.org/fhir/SearchParameter/"
_OF_ITS_OWN = ("Questionnaire",)  # has parameters of its own where other artefacts share theirs
CURSOR = "_cursor"


def definition_of(type_: str, name: str) -> str:
    """Canonical of a search parameter's definition in R4."""
    if name == "_id":
        return f"{_DEFINITIONS}Resource-id"
    return f"{_DEFINITIONS}{type_ if type_ in _OF_ITS_OWN else 'conformance'}-{name}"


@dataclass(frozen=True, slots=True)
class Artefact:
    """One artefact as it is served."""

    type: str
    id: str
    version: str
    resource: Tree
    body: bytes

    @property
    def changed_at(self) -> datetime:
        """Start of the day that the artefact gives as the date of its last change."""
        return datetime.fromisoformat(self.resource["meta"]["lastUpdated"])


class Found(NamedTuple):
    """One page of a search: what matches, how many altogether, where the next page begins, what was used and not."""

    rows: Sequence[Artefact]
    total: int
    next: int | None
    used: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]


class Published:
    """All artefacts by type and id."""

    def __init__(self, artefacts: Iterable[Tree]) -> None:
        self._held: dict[str, dict[str, Artefact]] = {}
        for resource in artefacts:
            made = _artefact(resource)
            self._held.setdefault(made.type, {})[made.id] = made

    @property
    def types(self) -> list[str]:
        """The resource types there are artefacts of."""
        return sorted(self._held)

    def artefact(self, type_: str, id_: str) -> Artefact | None:
        """One artefact; None where there is none of that id."""
        return self._held.get(type_, {}).get(id_)

    def all(self, type_: str) -> list[Artefact]:
        """Every artefact of a type."""
        return list(self._held.get(type_, {}).values())

    def by_url(self, type_: str, canonical: str) -> Artefact | None:
        """The artefact of a canonical URL, `url` or `url|version`."""
        url, _, version = canonical.partition("|")
        for held in self._held.get(type_, {}).values():
            if held.resource["url"] == url and version in ("", held.resource["version"]):
                return held
        return None

    def search(self, type_: str, pairs: Iterable[tuple[str, str]]) -> Found:
        """Search one type. Raises SearchError for a value or modifier that cannot be served."""
        asked = _Asked(pairs)
        rows = [held for held in self._held.get(type_, {}).values() if all(fits(held) for fits in asked.criteria)]
        page = rows[asked.start : asked.start + asked.count]
        after = asked.start + asked.count
        more = after if asked.count and after < len(rows) else None
        return Found(page, len(rows), more, tuple(asked.used), tuple(asked.ignored))


def _artefact(resource: Tree) -> Artefact:
    digest = sha256(wire.write(resource)).hexdigest()[:16]
    head = {"resourceType": resource["resourceType"], "id": resource["id"]}
    meta = resource.get("meta", {}) | {"versionId": digest, "lastUpdated": f"{resource['date'][:10]}T00:00:00.000Z"}
    served = head | {"meta": meta} | {key: value for key, value in resource.items() if key not in (*head, "meta")}
    return Artefact(resource["resourceType"], resource["id"], digest, served, wire.write(served))


class _Asked:
    """The parameters of one search."""

    def __init__(self, pairs: Iterable[tuple[str, str]]) -> None:
        self.criteria: list[Callable[[Artefact], bool]] = []
        self.used: list[tuple[str, str]] = []
        self.ignored: list[str] = []
        self.count, self.start = DEFAULT_COUNT, 0
        for name, value in pairs:
            self._take(name, value)

    def _take(self, name: str, value: str) -> None:
        plain, colon, _ = name.partition(":")
        if plain in SEARCHED_BY and colon:
            raise SearchError(plain, "this modifier is not supported")
        if name in ("_count", CURSOR):
            number = _whole(name, value)
            self.count, self.start = (min(number, MAX_COUNT), self.start) if name == "_count" else (self.count, number)
        elif name == "_summary" and value == "count":
            self.count = 0
        elif name in SEARCHED_BY and value:
            self.criteria.append(_criterion(name, value.split(",")))
        elif name != "_format":
            self.ignored.append(name)
            return
        self.used.append((name, value))


def _whole(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise SearchError(name, "not a whole number of 0 or more")
    return int(text)


def _criterion(name: str, values: Sequence[str]) -> Callable[[Artefact], bool]:
    if name == "name":
        beginnings = tuple(fold(value) for value in values)
        return lambda held: fold(held.resource["name"]).startswith(beginnings)
    if name == "url":
        return lambda held: held.resource["url"] in values
    element, system = ("id", "") if name == "_id" else (name, STATUS_SYSTEM if name == "status" else "")
    accepted = {value for text in values for value in _codes(text, system)}
    return lambda held: held.resource[element] in accepted


def _codes(text: str, system: str) -> list[str]:
    """The code of a token; none where it names a system that the element does not have."""
    named, bar, code = text.rpartition("|")
    return [code] if not bar or named == system else []
