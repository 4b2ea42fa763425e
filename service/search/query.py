"""A query string parsed once into the object that database query, self link and audit record are made from.

Source: https://hl7.org/fhir/R4/search.html. Repeated parameters must all hold, comma-separated values are
alternatives. Messages name the parameter and never its value, which may be about a patient.
"""

import base64
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from hashlib import blake2b
from typing import Literal
from urllib.parse import quote

import orjson

from service.search.arguments import criterion, is_patient_chain, patient_criterion
from service.search.criteria import (
    Criterion,
    Cursor,
    Include,
    Order,
    OrderKey,
    SearchError,
    Setting,
    Subset,
    TokenCriterion,
)
from service.search.including import include
from service.search.parameters import Parameter, parameters_of

DEFAULT_COUNT = 50
MAX_COUNT = 1000
MAX_COUNT_WITH_INCLUDES = 200  # matches: what travels beside them may be many times as much
MAX_LENGTH = 8000  # characters of all values together: more is a mistake or an attack
CURSOR = "_cursor"

BY_ARRIVAL = Order("arrival")
WHOLE = Subset()

Total = Literal["none", "estimate", "accurate"]


@dataclass(frozen=True, slots=True)
class Query:
    """One parsed search of one resource type."""

    type: str
    criteria: tuple[Criterion, ...] = ()
    order: Order = BY_ARRIVAL
    count: int = DEFAULT_COUNT
    count_only: bool = False
    total: Total | None = None
    includes: tuple[Include, ...] = ()
    subset: Subset = WHOLE
    cursor: Cursor | None = None
    used: tuple[tuple[str, str], ...] = ()
    ignored: tuple[str, ...] = ()

    def self_link(self, base: str) -> str:
        """URL of this query with the parameters that were used, and no other (search.html#conformance)."""
        return self._link(base, self.used)

    def next_link(self, base: str, last: Cursor) -> str:
        """URL of the page after the row `last`."""
        kept = [(name, value) for name, value in self.used if name != CURSOR]
        return self._link(base, (*kept, (CURSOR, _written_cursor(last, self.fingerprint))))

    @property
    def fingerprint(self) -> str:
        """Short digest of what is searched and in which order, so that a cursor fits its own query only."""
        asked = repr([pair for pair in self.used if pair[0] not in {CURSOR, "_count"}])
        return blake2b(f"{self.type}{asked}".encode(), digest_size=6).hexdigest()

    def _link(self, base: str, pairs: Iterable[tuple[str, str]]) -> str:
        asked = "&".join(f"{quote(name, safe=':-_.')}={quote(value, safe=_URL_SAFE)}" for name, value in pairs)
        return f"{base}/{self.type}?{asked}" if asked else f"{base}/{self.type}"


_URL_SAFE = ":,$/-_.~"
_TOTALS: Mapping[str, Total] = {"none": "none", "estimate": "estimate", "accurate": "accurate"}


def parse(type_: str, pairs: Iterable[tuple[str, str]], setting: Setting, *, strict: bool = False) -> Query:
    """Parse the name-value pairs of a search, from the URL, a form or both.

    Raises SearchError for a value or modifier that cannot be served and, when `strict`, for a parameter that would
    be ignored; KeyError for a type that is not served.
    """
    reading = _Reading(type_, parameters_of(type_), setting)
    given = list(pairs)
    if sum(len(name) + len(value) for name, value in given) > MAX_LENGTH:
        raise SearchError("query", f"longer than {MAX_LENGTH} characters")
    for name, value in given:
        reading.take(name, value)
    if strict and reading.ignored:
        raise SearchError(reading.ignored[0], "not a search parameter of this server for this type")
    return reading.query()


class _Reading:
    """Parameters as they come, one after the other."""

    def __init__(self, type_: str, known: Mapping[str, Parameter], setting: Setting) -> None:
        self.type = type_
        self.known = known
        self.setting = setting
        self.criteria: list[Criterion] = []
        self.used: list[tuple[str, str]] = []
        self.ignored: list[str] = []
        self.order: Order | None = None
        self.count: int | None = None
        self.count_only = False
        self.total: Total | None = None
        self.includes: list[Include] = []
        self.summary: Literal["true", "text", "data"] | None = None
        self.elements: list[str] = []
        self.cursor_text: str | None = None

    def take(self, name: str, value: str) -> None:
        plain, colon, modifier = name.partition(":")
        if plain in _CONTROLS:
            if colon:
                raise SearchError(plain, "this modifier is not supported")
            _CONTROLS[plain](self, value)
            return
        parameter = self.known.get(plain.partition(".")[0])
        if parameter is None or not value:
            self.ignored.append(name)
            return
        if "." in name:
            self.take_chain(parameter, name, value)
        else:
            self.criteria.append(criterion(parameter, modifier if colon else None, value, self.setting))
        self.used.append((name, value))

    def take_chain(self, parameter: Parameter, name: str, value: str) -> None:
        """`patient.identifier`, for whoever knows the hospital's number alone; no other chain."""
        if not is_patient_chain(self.known, name):
            raise SearchError(parameter.name, "chained parameters are not supported, but for patient.identifier")
        self.criteria.append(patient_criterion(parameter, value))

    def query(self) -> Query:
        count = DEFAULT_COUNT if self.count is None else self.count
        if self.includes:
            count = min(count, MAX_COUNT_WITH_INCLUDES)
            if self.summary == "text":
                raise SearchError("_summary", "text leaves out the references that an include follows")
        if self.summary and self.elements:
            raise SearchError("_elements", "not together with _summary")
        query = Query(
            type=self.type,
            criteria=tuple(self.criteria),
            order=self.order or _unasked_order(self.criteria),
            count=count,
            count_only=self.count_only or count == 0,
            total=self.total,
            includes=tuple(dict.fromkeys(self.includes)),
            subset=Subset(self.summary, tuple(dict.fromkeys(self.elements))),
            used=tuple(self.used),
            ignored=tuple(self.ignored),
        )
        if self.cursor_text is None:
            return query
        return replace(query, cursor=_read_cursor(self.cursor_text, query))

    def take_count(self, value: str) -> None:
        if self.count is not None:
            raise SearchError("_count", "given twice")
        if not re.fullmatch(r"[0-9]{1,9}", value):
            raise SearchError("_count", "not a whole number of 0 or more")
        self.count = min(int(value), MAX_COUNT)
        self.used.append(("_count", str(self.count)))

    def take_sort(self, value: str) -> None:
        """The first key that can be served orders the answer; ties go by arrival, further keys are named as ignored."""
        for key in value.split(","):
            order = _order(key, self.known)
            if order is None or self.order is not None:
                self.ignored.append(f"_sort={key}" if re.fullmatch(r"-?[A-Za-z_-]{1,40}", key) else "_sort")
            else:
                self.order = order
                self.used.append(("_sort", key))

    def take_summary(self, value: str) -> None:
        if self.summary is not None or self.count_only:
            raise SearchError("_summary", "given twice")
        match value:
            case "count":
                self.count_only = True
            case "true" | "text" | "data":
                self.summary = value
            case "false":
                pass
            case _:
                raise SearchError("_summary", "true, text, data, count or false")
        self.used.append(("_summary", value))

    def take_elements(self, value: str) -> None:
        names = [name for name in value.split(",") if re.fullmatch("[A-Za-z]{1,64}", name)]
        if len(names) != len(value.split(",")):
            self.ignored.append("_elements")  # of names alone; what lies deeper is not told apart
        if names:
            self.elements += names
            self.used.append(("_elements", ",".join(names)))

    def take_include(self, value: str) -> None:
        self.includes.append(include(self.type, value, reverse=False))
        self.used.append(("_include", value))

    def take_reverse_include(self, value: str) -> None:
        self.includes.append(include(self.type, value, reverse=True))
        self.used.append(("_revinclude", value))

    def take_total(self, value: str) -> None:
        if value not in _TOTALS:
            raise SearchError("_total", "none, estimate or accurate")
        self.total = _TOTALS[value]
        self.used.append(("_total", value))

    def take_cursor(self, value: str) -> None:
        if self.cursor_text is not None:
            raise SearchError(CURSOR, "given twice")
        self.cursor_text = value
        self.used.append((CURSOR, value))

    def take_format(self, value: str) -> None:
        self.used.append(("_format", value))


_CONTROLS: Mapping[str, Callable[[_Reading, str], None]] = {
    "_count": _Reading.take_count,
    "_sort": _Reading.take_sort,
    "_summary": _Reading.take_summary,
    "_elements": _Reading.take_elements,
    "_include": _Reading.take_include,
    "_revinclude": _Reading.take_reverse_include,
    "_total": _Reading.take_total,
    "_format": _Reading.take_format,
    CURSOR: _Reading.take_cursor,
}


def _unasked_order(criteria: Iterable[Criterion]) -> Order:
    """The server's own choice: newest first where a code is asked for, as the index has it, else by arrival."""
    by_code = any(isinstance(each, TokenCriterion) and each.slot == "code_set" for each in criteria)
    return Order("date", descending=True) if by_code else BY_ARRIVAL


def _order(key: str, known: Mapping[str, Parameter]) -> Order | None:
    name = key.removeprefix("-")
    parameter = known.get(name)
    if parameter is None or not (parameter.kind == "date" or name == "_id"):
        return None
    by: OrderKey = "id" if name == "_id" else parameter.slot  # type: ignore[assignment]  # slots of dates are order keys
    return Order(by, key.startswith("-"))


def _written_cursor(last: Cursor, fingerprint: str) -> str:
    return base64.urlsafe_b64encode(orjson.dumps([*last, fingerprint])).decode("ascii").rstrip("=")


def _read_cursor(text: str, query: Query) -> Cursor:
    """Cursor of a link that this server gave out for the same search; anything else is refused."""
    try:
        key, arrival, fingerprint = orjson.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (ValueError, TypeError) as error:  # not base64, not JSON, not a list of three
        raise SearchError(CURSOR, "not a link of this server") from error
    kind = str if query.order.key == "id" else int
    if fingerprint != query.fingerprint or type(key) is not kind or type(arrival) is not int:
        raise SearchError(CURSOR, "belongs to another search")
    return Cursor(key, arrival)
