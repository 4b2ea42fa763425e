"""What a resource is found by: typed values for the store's columns, taken by the table of parameters."""

from collections.abc import Callable, Mapping, Sequence
from datetime import tzinfo
from functools import lru_cache
from typing import Any, NamedTuple

from service.search.dates import DateRange
from service.search.elements import (
    WITHOUT_DATE,
    Token,
    component_tokens,
    fold,
    literal,
    logical,
    on_one_line,
    said_by,
    unit_tokens,
    walk,
    widest,
)
from service.search.parameters import Kind, Parameter, Slot
from service.search.quantities import WITHOUT_NUMBER, NumberRange, number_range
from service.search.shapes import Shape

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


class _Found:
    """Values collected from one resource, element by element; its tokens are the shape's."""

    __slots__ = (
        "components", "date", "identifiers", "other_date", "patient", "terms", "value", "value_unit", "zone",
    )  # fmt: skip

    def __init__(self, patient: str | None, zone: tzinfo) -> None:
        self.zone = zone
        self.patient = patient
        self.identifiers: list[Identifier] = []
        self.date = self.other_date = WITHOUT_DATE
        self.terms: list[str] = []
        self.value = WITHOUT_NUMBER
        self.value_unit: tuple[Token, ...] = ()
        self.components: list[ComponentNumber] = []

    def take_identifiers(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.identifiers += [(each.get("system", ""), each["value"]) for each in values if "value" in each]

    def take_patient(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            found = literal(each)
            if found is not None and found.startswith("Patient/"):
                self.patient = self.patient or found[8:]
            elif found is not None and ":" in found:  # a patient of another server
                self.terms.append(f"{parameter.name}={found}")
            if found is None or "identifier" in each:
                self.terms += logical(parameter.name, each, found)

    def take_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.date = widest(self.date, values, self.zone)

    def take_other_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.other_date = widest(self.other_date, values, self.zone)

    def take_references(self, parameter: Parameter, values: Sequence[Any]) -> None:
        name, terms = parameter.name, self.terms
        of_patient = name in _OF_PATIENT
        for each in values:
            found = literal(each)
            if found is not None and not (of_patient and found.startswith("Patient/")):
                terms.append(f"{name}={found}")
            if found is None or "identifier" in each:
                terms += logical(name, each, found)

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
                    get = quantity.get
                    said = said_by(each.get("code", _NOTHING))
                    codes, unit = component_tokens(said, get("system", ""), get("code", ""), get("unit", ""))
                    self.components.append(ComponentNumber(codes, unit, number))


_NOTHING: Mapping[str, Any] = {}
_OF_PATIENT = ("patient", "subject")  # parameters of the element that says whom a resource is about
_Take = Callable[[_Found, Parameter, Sequence[Any]], None]
_Reader = tuple[str, tuple[str, ...], list[tuple[_Take, Parameter]]]  # first name, way further in, who takes the values
_TAKE: Mapping[tuple[Slot, Kind], _Take] = {
    ("identifier", "token"): _Found.take_identifiers,
    ("patient", "reference"): _Found.take_patient,
    ("date", "date"): _Found.take_date,
    ("other_date", "date"): _Found.take_other_date,
    ("terms", "reference"): _Found.take_references,
    ("terms", "string"): _Found.take_strings,
    ("value", "quantity"): _Found.take_value,
    ("component", "quantity"): _Found.take_components,
}


def index(resource: Mapping[str, Any], zone: tzinfo) -> IndexValues:
    """Search values of a resource; `zone` is where its dates without a time begin and end.

    KeyError for a type without parameters, ValueError for a date that is none.
    """
    type_ = resource["resourceType"]
    shape, readers = _readers(type_, tuple(resource))
    found = _Found(resource["id"] if type_ == "Patient" else None, zone)
    for first, further, takers in readers:
        value = resource[first]
        values = value if type(value) is list else (value,)
        if further:
            values = walk(values, further)
        for take, parameter in takers:
            take(found, parameter, values)
    code_set, token_set = shape.token_sets(resource, bool(found.identifiers))
    return IndexValues(
        found.patient,
        code_set,
        token_set,
        tuple(found.identifiers),
        found.date,
        found.other_date,
        "\n".join(("", *dict.fromkeys(found.terms), "")) if found.terms else "",
        found.value,
        found.value_unit,
        tuple(found.components),
    )


@lru_cache(maxsize=2048)
def _readers(type_: str, keys: tuple[str, ...]) -> tuple[Shape, list[_Reader]]:
    """The shape, and who takes the values of its elements that are no tokens."""
    shape = Shape(type_, keys)
    return shape, [
        (each.first, each.further, [(_TAKE[one.slot, one.kind], one) for one in each.parameters])
        for each in shape.others
    ]


def in_patient_column(parameter: Parameter, reference: str) -> bool:
    """Whether a reference is kept as the patient of the resource: `subject` names the same element as `patient`."""
    return parameter.name in _OF_PATIENT and reference.startswith("Patient/")
