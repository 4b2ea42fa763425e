"""What a resource is found by: typed values for the store's columns, taken by the table of parameters."""

import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import tzinfo
from functools import cache, lru_cache
from typing import Any, NamedTuple

from service.search.dates import NO_DATE, OPEN_HIGH, OPEN_LOW, DateRange, date_range
from service.search.parameters import Kind, Parameter, Slot, parameters_of

Token = tuple[str, str, str]  # parameter, system or "", code
Identifier = tuple[str, str]  # system or "", value

WITHOUT_DATE = DateRange(NO_DATE, NO_DATE)


class IndexValues(NamedTuple):
    """Search values of one resource. Tokens are sorted and without repeats, so that equal sets are equal."""

    patient: str | None = None
    code_set: tuple[Token, ...] = ()
    token_set: tuple[Token, ...] = ()
    identifiers: tuple[Identifier, ...] = ()
    date: DateRange = WITHOUT_DATE
    other_date: DateRange = WITHOUT_DATE
    terms: str = ""  # "\nparameter=value\nparameter=value\n": references as Type/id, strings folded


class _Reader(NamedTuple):
    """An element, by its first name and the way further in, and the parameters that are found there."""

    first: str
    further: tuple[str, ...]
    takers: "tuple[tuple[_Take, Parameter], ...]"


class _Found:
    """Values collected from one resource, element by element."""

    __slots__ = ("code_set", "date", "identifiers", "other_date", "patient", "terms", "token_set", "zone")

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone
        self.patient: str | None = None
        self.code_set: list[Token] = []
        self.token_set: list[Token] = []
        self.identifiers: list[Identifier] = []
        self.date = self.other_date = WITHOUT_DATE
        self.terms: list[str] = []

    def take_codes(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.code_set += _tokens(parameter, values)

    def take_tokens(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.token_set += _tokens(parameter, values)

    def take_identifiers(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.identifiers += [(each.get("system", ""), each["value"]) for each in values if "value" in each]

    def take_patient(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for found in _references(values):
            if found.startswith("Patient/"):
                self.patient = self.patient or found[8:]
            elif ":" in found:  # a patient of another server
                self.terms.append(f"{parameter.name}={found}")

    def take_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.date = _widest(self.date, values, self.zone)

    def take_other_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.other_date = _widest(self.other_date, values, self.zone)

    def take_references(self, parameter: Parameter, values: Sequence[Any]) -> None:
        name = parameter.name
        self.terms += [f"{name}={each}" for each in _references(values) if not in_patient_column(parameter, each)]

    def take_strings(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.terms += [f"{parameter.name}={fold(each)}" for each in values]


_Take = Callable[[_Found, Parameter, Sequence[Any]], None]
_TAKE: Mapping[tuple[Slot, Kind], _Take] = {
    ("code_set", "token"): _Found.take_codes,
    ("token_set", "token"): _Found.take_tokens,
    ("identifier", "token"): _Found.take_identifiers,
    ("patient", "reference"): _Found.take_patient,
    ("date", "date"): _Found.take_date,
    ("other_date", "date"): _Found.take_other_date,
    ("terms", "reference"): _Found.take_references,
    ("terms", "string"): _Found.take_strings,
}


def index(resource: Mapping[str, Any], zone: tzinfo) -> IndexValues:
    """Search values of a resource; `zone` is where its dates without a time begin and end.

    KeyError for a type without parameters, ValueError for a date that is none.
    """
    type_ = resource["resourceType"]
    found = _Found(zone)
    if type_ == "Patient":
        found.patient = resource["id"]
    for first, further, takers in _readers(type_):
        if first not in resource:
            continue
        value = resource[first]
        values = value if type(value) is list else (value,)
        if further:
            values = list(_walk(values, further))
        for take, parameter in takers:
            take(found, parameter, values)
    return IndexValues(
        found.patient,
        _as_set(tuple(found.code_set)),
        _as_set(tuple(found.token_set)),
        tuple(found.identifiers),
        found.date,
        found.other_date,
        "\n".join(("", *dict.fromkeys(found.terms), "")) if found.terms else "",
    )


@lru_cache(maxsize=4096)
def _as_set(tokens: tuple[Token, ...]) -> tuple[Token, ...]:
    return tuple(sorted(set(tokens)))


def in_patient_column(parameter: Parameter, reference: str) -> bool:
    """Whether a reference is kept as the patient of the resource: `subject` names the same element as `patient`."""
    return parameter.name in ("patient", "subject") and reference.startswith("Patient/")


@lru_cache(maxsize=1024)
def fold(text: str) -> str:
    """Text as R4's string search compares it: without case, accents and control characters (search.html#string)."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter if letter.isprintable() else " " for letter in plain if not unicodedata.combining(letter))


@cache
def _readers(type_: str) -> tuple[_Reader, ...]:
    by_path: dict[tuple[str, ...], list[Parameter]] = {}
    for parameter in parameters_of(type_).values():
        for path in parameter.paths:
            by_path.setdefault(path, []).append(parameter)
    return tuple(
        _Reader(path[0], path[1:], tuple((_TAKE[each.slot, each.kind], each) for each in interested))
        for path, interested in by_path.items()
    )


def _walk(element: Any, path: tuple[str, ...]) -> Iterator[Any]:
    """Every value at the end of a path, lists on the way opened."""
    if isinstance(element, Sequence) and not isinstance(element, str):
        for each in element:
            yield from _walk(each, path)
    elif not path:
        yield element
    elif path[0] in element:
        yield from _walk(element[path[0]], path[1:])


def _tokens(parameter: Parameter, values: Sequence[Any]) -> list[Token]:
    """Tokens of codes, Codings and CodeableConcepts (search.html#token).

    A bare code answers to the system that its binding implies and to none at all.
    """
    name = parameter.name
    found: list[Token] = []
    for each in values:
        if type(each) is str:
            found.append((name, "", each))
            if parameter.system:
                found.append((name, parameter.system, each))
        else:
            for coding in each.get("coding", (each,)):
                if "code" in coding:
                    found.append((name, coding.get("system", ""), coding["code"]))
    return found


def _references(values: Sequence[Mapping[str, Any]]) -> list[str]:
    """Literal references without the version; what lies inside the resource is not searched."""
    literal = [each["reference"] for each in values if "reference" in each]
    return [each.partition("/_history/")[0] for each in literal if each[:1] != "#"]


def _widest(so_far: DateRange, values: Sequence[Any], zone: tzinfo) -> DateRange:
    for each in values:
        low, high = date_range(each, zone) if type(each) is str else _outer(each, zone)
        known = so_far.low != NO_DATE
        so_far = DateRange(min(so_far.low, low), max(so_far.high, high)) if known else DateRange(low, high)
    return so_far


def _outer(value: Mapping[str, Any], zone: tzinfo) -> DateRange:
    """Range of a Period, or the outer bounds of a Timing (search.html#date)."""
    if "event" in value:
        return _widest(WITHOUT_DATE, value["event"], zone)
    if "repeat" in value:
        value = value["repeat"].get("boundsPeriod", {})
    low = date_range(value["start"], zone).low if "start" in value else OPEN_LOW
    high = date_range(value["end"], zone).high if "end" in value else OPEN_HIGH
    return DateRange(low, high)
