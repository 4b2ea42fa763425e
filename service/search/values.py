"""What a resource is found by: typed values for the store's columns, taken by the table of parameters."""

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import tzinfo
from functools import cache, lru_cache
from typing import Any, NamedTuple

from service.search.dates import NO_DATE, OPEN_HIGH, OPEN_LOW, DateRange, date_range
from service.search.parameters import Kind, Parameter, Slot, parameters_of
from service.search.quantities import WITHOUT_NUMBER, NumberRange, Unit, number_range

Token = tuple[str, str, str]  # parameter, system or "", code
Identifier = tuple[str, str]  # system or "", value

# Names under which sets of tokens hold what is not a token of a search parameter itself.
UNIT, UNIT_TEXT = "unit", "unit:text"  # unit of a quantity: its system and code, its text
TEXT = ":text"  # behind a parameter: display or text of its codes, folded
PRESENT = ":present"  # behind a parameter without tokens of its own: there is a value

WITHOUT_DATE = DateRange(NO_DATE, NO_DATE)


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
        self.code_set += _tokens(parameter, values)

    def take_tokens(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.token_set += _tokens(parameter, values)

    def take_identifiers(self, parameter: Parameter, values: Sequence[Any]) -> None:
        self.identifiers += [(each.get("system", ""), each["value"]) for each in values if "value" in each]
        if self.identifiers:
            self.token_set.append((parameter.name + PRESENT, "", ""))

    def take_patient(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            found = _literal(each)
            if found is not None and found.startswith("Patient/"):
                self.patient = self.patient or found[8:]
            elif found is not None and ":" in found:  # a patient of another server
                self.terms.append(f"{parameter.name}={found}")
            self.terms += _logical(parameter, each)

    def take_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.date = _widest(self.date, values, self.zone)

    def take_other_date(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        self.other_date = _widest(self.other_date, values, self.zone)

    def take_references(self, parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            found = _literal(each)
            if found is not None and not in_patient_column(parameter, found):
                self.terms.append(f"{parameter.name}={found}")
            self.terms += _logical(parameter, each)

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
        self.value, self.value_unit = number_range(values[0]), _unit_tokens(values[0])

    def take_components(self, _parameter: Parameter, values: Sequence[Any]) -> None:
        for each in values:
            quantity = each.get("valueQuantity")
            if quantity is not None:
                number = number_range(quantity)
                if number is not WITHOUT_NUMBER:
                    self.components.append(ComponentNumber(_component_codes(each), _unit_tokens(quantity), number))


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
        found.value,
        found.value_unit,
        tuple(found.components),
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
        if (parameter.slot, parameter.kind) not in _TAKE:
            continue  # made of what others have indexed
        for path in parameter.paths:
            by_path.setdefault(path[:1] if parameter.slot in _WHOLE_ELEMENT else path, []).append(parameter)
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
    """Tokens of codes, Codings and CodeableConcepts (search.html#token), with their texts.

    A bare code answers to the system that its binding implies and to none at all.
    """
    name = parameter.name
    found: list[Token] = []
    for each in values:
        if type(each) is str:
            found.append((name, "", each))
            if parameter.system:
                found.append((name, parameter.system, each))
            continue
        if "text" in each:
            found.append((name + TEXT, "", fold(each["text"])))
        for coding in each.get("coding", (each,)):
            if "code" in coding:
                found.append((name, coding.get("system", ""), coding["code"]))
            if "display" in coding:
                found.append((name + TEXT, "", fold(coding["display"])))
    return found


def _component_codes(component: Mapping[str, Any]) -> tuple[Token, ...]:
    codings = component.get("code", {}).get("coding", ())
    return _as_set(tuple((_COMPONENT, each.get("system", ""), each["code"]) for each in codings if "code" in each))


_COMPONENT = "component-code"


def _unit_tokens(quantity: Mapping[str, Any]) -> tuple[Token, ...]:
    return _tokens_of_unit(quantity.get("system", ""), quantity.get("code", ""), quantity.get("unit", ""))


@lru_cache(maxsize=1024)
def _tokens_of_unit(system: str, code: str, text: str) -> tuple[Token, ...]:
    found = [(UNIT, system, code)] if system or code else []
    return tuple([*found, (UNIT_TEXT, "", text)] if text else found)


def unit_of(tokens: Iterable[Token]) -> Unit | None:
    """The unit that a set of tokens is of; None for a set of another kind."""
    system = code = text = ""
    for name, first, second in tokens:
        if name == UNIT:
            system, code = first, second
        elif name == UNIT_TEXT:
            text = second
        else:
            return None
    return Unit(system, code, text)


def _literal(reference: Mapping[str, Any]) -> str | None:
    """Where a reference leads, without the version; what lies inside the resource is not searched."""
    found: str | None = reference.get("reference")
    return None if found is None or found[:1] == "#" else found.partition("/_history/")[0]


def _logical(parameter: Parameter, reference: Mapping[str, Any]) -> list[str]:
    """Lines of a reference that carries an identifier or leads nowhere."""
    identifier = reference.get("identifier")
    if identifier is not None and "value" in identifier:
        return [f"{parameter.name}:identifier={identifier_line(identifier.get('system', ''), identifier['value'])}"]
    return [] if _literal(reference) is not None else [f"{parameter.name}:unlinked="]


def identifier_line(system: str | None, value: str) -> str:
    """Identifier of a reference as it stands in the terms; the beginning of one where the system is None."""
    first = on_one_line(value).replace("\\", "\\\\").replace("|", "\\|") + "|"
    return first if system is None else first + on_one_line(system)


def on_one_line(text: str) -> str:
    """Text without line feeds, which part the terms."""
    return text.replace("\n", " ")


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
