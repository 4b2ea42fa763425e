"""What a client asks of an export: parameters read, refused or, with `handling=lenient`, passed over with a notice.

Source: Bulk Data Access 2.0, Query Parameters.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Literal
from urllib.parse import parse_qsl

from service.search.criteria import SearchError, Setting
from service.search.dates import microseconds
from service.search.parameters import parameters
from service.search.query import Query, parse

Level = Literal["system", "patient", "group"]
FORMATS = frozenset({"application/fhir+ndjson", "application/ndjson", "ndjson"})
_ROW_PARAMETERS = frozenset({"_id", "_lastUpdated"})  # of those that begin with an underscore, the ones about a row
May = Callable[[str], bool]


class ExportRefused(ValueError):
    """An export that is not begun; `status` is that of HTTP."""

    def __init__(self, why: str, status: int = 400) -> None:
        super().__init__(why)
        self.status = status


@dataclass(frozen=True, slots=True)
class Asked:
    """One request, as it is kept until a worker takes it. `since` in microseconds."""

    level: Level
    url: str
    group_id: str | None
    types: tuple[str, ...]
    since: int | None
    filters: tuple[tuple[str, str], ...]  # type, query string
    elements: tuple[str, ...]
    notices: tuple[str, ...]

    def written(self) -> str:
        """As JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def read(cls, text: str) -> "Asked":
        """From JSON."""
        found: dict[str, Any] = {name: _tuples(value) for name, value in json.loads(text).items()}
        return cls(**found)

    def queries(self, type_: str, setting: Setting) -> list[Query]:
        """The filters of a type, parsed; any of them is enough."""
        return [_query(type_, text, setting) for each, text in self.filters if each == type_]

    def elements_of(self, type_: str) -> tuple[str, ...]:
        """The elements of a type that are asked for; none: all."""
        parts = (each.rpartition(".") for each in self.elements)
        return tuple(name for of_type, _, name in parts if of_type in ("", type_))


def types_of_patients() -> list[str]:
    """The types that belong to a patient, Patient first."""
    return ["Patient", *(type_ for type_, of_type in parameters().items() if "patient" in of_type)]


def asked(
    level: Level,
    group_id: str | None,
    pairs: Iterable[tuple[str, str]],
    url: str,
    may: May,
    setting: Setting,
    *,
    lenient: bool,
    registry: bool,
) -> Asked:
    """Read a request. `may`: whether the client may read and search a type. `registry`: its data is de-identified.

    Raises ExportRefused: 400 for what is not understood, 403 for a type that the client may not read.
    """
    reading = _Reading(level, may, setting, lenient, registry)
    for name, value in pairs:
        reading.take(name, value)
    return Asked(
        level, url, group_id, reading.granted(), reading.since, tuple(reading.filters), tuple(reading.elements),
        tuple(reading.notices),
    )  # fmt: skip


class _Reading:
    """Parameters as they come."""

    def __init__(self, level: Level, may: May, setting: Setting, lenient: bool, registry: bool) -> None:
        self._may = may
        self._setting = setting
        self._lenient = lenient
        self._registry = registry
        self._offered = list(parameters()) if level == "system" and not registry else types_of_patients()
        self._types: dict[str, None] = {}
        self.since: int | None = None
        self.filters: list[tuple[str, str]] = []
        self.elements: list[str] = []
        self.notices: list[str] = []

    def take(self, name: str, value: str) -> None:
        takes: Mapping[str, Callable[[str], None]] = {
            "_outputFormat": self._take_format,
            "_since": self._take_since,
            "_type": self._take_types,
            "_typeFilter": self._take_filters,
            "_elements": self._take_elements,
            "_format": lambda _: None,
        }
        if name in takes:
            takes[name](value)
        else:
            self._pass_over(f"{name[:64]}: this server has no such parameter of an export")

    def granted(self) -> tuple[str, ...]:
        """The types to be exported; a filter of a type that is not among them is nobody's wish."""
        wanted = list(self._types) or [type_ for type_ in self._offered if self._may(type_)]
        if denied := [type_ for type_ in wanted if not self._may(type_)]:
            raise ExportRefused(f"the token does not grant reading and searching {denied[0]}", 403)
        if not wanted:
            raise ExportRefused("the token grants no type that could be exported", 403)
        for type_, query in self.filters:
            if any("." in name for name, _ in parse_qsl(query)) and not self._may("Patient"):
                raise ExportRefused("the token does not grant searching Patient, through which a filter leads", 403)
            if type_ not in wanted:
                self._pass_over(f"_typeFilter: {type_} is not among the types of this export")
        return tuple(wanted)

    def _pass_over(self, why: str) -> None:
        if not self._lenient:
            raise ExportRefused(why)
        self.notices.append(why)

    def _take_format(self, value: str) -> None:
        if value.replace(" ", "+") not in FORMATS:
            raise ExportRefused("_outputFormat: only application/fhir+ndjson is written")

    def _take_since(self, value: str) -> None:
        try:
            moment = datetime.fromisoformat(value.replace(" ", "+"))
            if moment.tzinfo is None:
                raise ValueError
            self.since = microseconds(moment)
        except (ValueError, OverflowError):
            raise ExportRefused("_since: an instant with its offset is wanted, e.g. 2026-11-25T08:00:00Z") from None

    def _take_types(self, value: str) -> None:
        for type_ in value.split(","):
            if type_ in self._offered:
                self._types[type_] = None
            elif type_:
                self._pass_over(f"_type: {type_[:64]} is not exported here")

    def _take_filters(self, value: str) -> None:
        if self._registry:
            # A search by name or number would tell who is in the data.
            self._pass_over("_typeFilter: not for de-identified data")
            return
        for text in _apart(value):
            type_, _, query = text.partition("?")
            if type_ not in self._offered or not query:
                self._pass_over("_typeFilter: Type?search is wanted, of a type that is exported here")
                continue
            try:
                _query(type_, query, self._setting)
            except SearchError as fault:
                self._pass_over(f"_typeFilter: {fault}")
            else:
                self.filters.append((type_, query))

    def _take_elements(self, value: str) -> None:
        for name in filter(None, value.split(",")):
            type_, dot, _ = name.rpartition(".")
            if dot and type_ not in parameters():
                self._pass_over(f"_elements: {type_[:64]} is not exported here")
            else:
                self.elements.append(name)


def _apart(value: str) -> Sequence[str]:
    """Filters in one value, separated by commas: a comma before `Type?` begins another one."""
    parts: list[str] = []
    for piece in value.split(","):
        if parts and "?" not in piece:
            parts[-1] += f",{piece}"
        else:
            parts.append(piece)
    return parts


def _query(type_: str, text: str, setting: Setting) -> Query:
    """A filter as a search of rows. Raises SearchError for parameters of a page, such as _sort or _include."""
    pairs = parse_qsl(text, keep_blank_values=True)
    for name, _ in pairs:
        plain = name.partition(":")[0]
        if plain.startswith("_") and plain not in _ROW_PARAMETERS:
            raise SearchError(plain[:64], "has no meaning in a filter")
    return parse(type_, pairs, setting, strict=True)


def _tuples(value: object) -> object:
    return tuple(_tuples(each) for each in value) if isinstance(value, list) else value
