"""What a resource is found by: typed values for the store's columns, taken by the table of parameters."""

from collections.abc import Callable, Mapping, Sequence
from datetime import tzinfo
from functools import cache, lru_cache
from typing import Any, NamedTuple

from service.search.dates import DateRange
from service.search.elements import (
    PRESENT,
    WITHOUT_DATE,
    Token,
    as_set,
    component_codes,
    fold,
    literal,
    logical,
    on_one_line,
    tokens_of,
    unit_tokens,
    walk,
    widest,
)
from service.search.parameters import Kind, Parameter, Slot, parameters_of
from service.search.quantities import WITHOUT_NUMBER, NumberRange, number_range

__all__ = ["ComponentNumber", "Identifier", "IndexValues", "Token", "fold", "in_patient_column", "index"]

Identifier = tuple[str, str]  # system or "", value


class ComponentNumber(NamedTuple):
    """Number of one component, with the tokens of the component's code and of the number's unit."""

    codes: tuple[Token, ...]
    unit: tuple[Token, ...]
    number: NumberRange


class IndexValues(NamedTuple):
    """Search values of one resource. Tokens are sorted and without repeats, so that equal sets are equal.

    `terms` is lines between line feeds: `parameter=Type/id` of a reference, `parameter:identifier=value|system` of one
    with an identifier, `parameter:unlinked=` of one that leads nowhere; `parameter=text` folded, `parameter:all=` all
    texts of a parameter together, `parameter:exact=` letter by letter.
    """

    patient: str | None = None
    code_set: tuple[Token, ...] = ()
    token_set: tuple[Token, ...] = ()
    identifiers: tuple[Identifier, ...] = ()
    date: DateRange = WITHOUT_DATE
    other_date: DateRange = WITHOUT_DATE
    terms: str = ""
    value: NumberRange = WITHOUT_NUMBER
    value_unit: tuple[Token, ...] = ()
    components: tuple[ComponentNumber, ...] = ()


class _Reader(NamedTuple):
    """An element, by its first name and the way further in, and the parameters that are found there."""

    first: str
    further: tuple[str, ...]
    takers: "tuple[tuple[_Take, Parameter], ...]"


class _Found:
    """Values collected from one resource, element by element."""

    __slots__ = (
        "code_set", "components", "date", "identifiers", "other_date", "patient", "terms", "token_set", "value",
        "value_unit", "zone",
    )  # fmt: skip

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone
        self.patient: str | None = None
        self.code_set: list[Token] = []
        self.token_set: list[Token] = []
        self.identifiers: list[Identifier] = []
        self.date = self.other_date = WITHOUT_DATE
        self.terms: list[str] = []
        self.value = WITHOUT_NUMBER
        self.value_unit: tuple[Token, ...] = ()
        self.components: list[ComponentNumber] = []

    def take_codes(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.code_set += tokens_of(parameter, values)

    def take_tokens(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.token_set += tokens_of(parameter, values)

    def take_identifiers(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.identifiers += [(each.get("system", ""), each["value"]) for each in values if "value" in each]
        if self.identifiers:
            self.token_set.append((parameter.name + PRESENT, "", ""))

    def take_patient(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            found = literal(each)
            if found is not None and found.startswith("Patient/"):
                self.patient = self.patient or found[8:]
            elif found is not None and ":" in found:  # a patient of another server
                self.terms.append(f"{parameter.name}={found}")
            if found is None or "identifier" in each:
                self.terms += logical(parameter, each, found)

    def take_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.date = widest(self.date, values, self.zone)

    def take_other_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.other_date = widest(self.other_date, values, self.zone)

    def take_references(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            found = literal(each)
            if found is not None and not in_patient_column(parameter, found):
                self.terms.append(f"{parameter.name}={found}")
            if found is None or "identifier" in each:
                self.terms += logical(parameter, each, found)

    def take_strings(self, parameter: Parameter, values: Sequence[Any]) -> None:
        if not values:
            return
        name = parameter.name
        folded = [fold(each) for each in values]
        self.terms += [f"{name}={each}" for each in folded]
        self.terms += [f"{name}:exact={on_one_line(each)}" for each in values]
        # One line for `:contains`; the separator occurs in no folded text.
        so_far = next((term for term in self.terms if term.startswith(f"{name}:all=")), None)
        if so_far is not None:
            self.terms.remove(so_far)
        self.terms.append("\x1f".join((so_far or f"{name}:all=", *folded)))

    def take_value(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.value, self.value_unit = number_range(values[0]), unit_tokens(values[0])

    def take_components(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            quantity = each.get("valueQuantity")
            if quantity is not None:
                number = number_range(quantity)
                if number is not WITHOUT_NUMBER:
                    self.components.append(ComponentNumber(component_codes(each), unit_tokens(quantity), number))


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
    ("value", "quantity"): _Found.take_value,
    ("component", "quantity"): _Found.take_components,
}
_WHOLE_ELEMENT = frozenset({"component"})  # slots that read the element around the value, for what stands beside it


def index(resource: Mapping[str, Any], zone: tzinfo) -> IndexValues:
    """Search values of a resource; `zone` is where its dates without a time begin and end.

    KeyError for a type without parameters, ValueError for a date that is none.
    """
    type_ = resource["resourceType"]
    found = _Found(zone)
    if type_ == "Patient":
        found.patient = resource["id"]
    for first, further, takers in _readers_of(type_, tuple(resource)):
        value = resource[first]
        values = value if type(value) is list else (value,)
        if further:
            values = walk(values, further)
        for take, parameter in takers:
            take(found, parameter, values)
    return IndexValues(
        found.patient,
        as_set(tuple(found.code_set)),
        as_set(tuple(found.token_set)),
        tuple(found.identifiers),
        found.date,
        found.other_date,
        "\n".join(("", *dict.fromkeys(found.terms), "")) if found.terms else "",
        found.value,
        found.value_unit,
        tuple(found.components),
    )


def in_patient_column(parameter: Parameter, reference: str) -> bool:
    """Whether a reference is kept as the patient of the resource: `subject` names the same element as `patient`."""
    return parameter.name in ("patient", "subject") and reference.startswith("Patient/")


@lru_cache(maxsize=2048)
def _readers_of(type_: str, keys: tuple[str, ...]) -> tuple[_Reader, ...]:
    """The readers of what is there; resources of one builder have few sets of keys."""
    return tuple(reader for reader in _readers(type_) if reader.first in keys)


@cache
def _readers(type_: str) -> tuple[_Reader, ...]:
    by_path: dict[tuple[str, ...], list[Parameter]] = {}
    for parameter in parameters_of(type_).values():
        if (parameter.slot, parameter.kind) not in _TAKE:
            continue  # made of what others have indexed
        for path in parameter.paths:
            by_path.setdefault(path[:1] if parameter.slot in _WHOLE_ELEMENT else path, []).append(parameter)
    return tuple(
        _Reader(path[0], path[1:], tuple((_TAKE[each.slot, each.kind], each) for each in interested))
        for path, interested in by_path.items()
    )
