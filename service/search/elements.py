"""Reading the elements of a resource: codes, units, references, texts and dates as a search compares them."""

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo
from functools import lru_cache
from typing import Any

from service.search.dates import NO_DATE, OPEN_HIGH, OPEN_LOW, DateRange, date_range
from service.search.parameters import Parameter
from service.search.quantities import Unit

Token = tuple[str, str, str]  # parameter, system or "", code

# Names under which sets of tokens hold what is not a token of a search parameter itself.
UNIT, UNIT_TEXT = "unit", "unit:text"  # unit of a quantity: its system and code, its text
TEXT = ":text"  # behind a parameter: display or text of its codes, folded
PRESENT = ":present"  # behind a parameter without tokens of its own: there is a value

WITHOUT_DATE = DateRange(NO_DATE, NO_DATE)


@lru_cache(maxsize=4096)
def as_set(tokens: tuple[Token, ...]) -> tuple[Token, ...]:
    """Sorted and without repeats."""
    return tuple(sorted(set(tokens)))


@lru_cache(maxsize=1024)
def fold(text: str) -> str:
    """Text as R4's string search compares it: without case, accents and control characters (search.html#string)."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter if letter.isprintable() else " " for letter in plain if not unicodedata.combining(letter))


def walk(element: Any, path: tuple[str, ...]) -> list[Any]:
    """Every value at the end of a path, lists on the way opened."""
    found: list[Any] = element if type(element) is list else [element]
    for name in path:
        inner: list[Any] = []
        for each in found:
            if name in each:
                value = each[name]
                inner += value if type(value) is list else (value,)
        found = inner
    return found


Said = str | tuple[str | None, ...]  # a bare code; or a text, then system, code and display of each Coding


def said_by(element: Any) -> Said:
    """What the tokens of a code, Coding or CodeableConcept come from, as one value that can be looked up."""
    if type(element) is str:
        return element
    codings = element.get("coding") or (element,)
    if len(codings) == 1:
        one = codings[0]
        return element.get("text"), one.get("system", ""), one.get("code"), one.get("display")
    found = [element.get("text")]
    for one in codings:
        found += (one.get("system", ""), one.get("code"), one.get("display"))
    return tuple(found)


def tokens_of(parameter: Parameter, said: Said) -> list[Token]:
    """Tokens of a code, Coding or CodeableConcept (search.html#token), with their texts.

    A bare code answers to the system that its binding implies and to none at all.
    """
    name = parameter.name
    if isinstance(said, str):
        implied = [(name, parameter.system, said)] if parameter.system else []
        return [(name, "", said), *implied]
    found: list[Token] = [] if said[0] is None else [(name + TEXT, "", fold(said[0]))]
    for place in range(1, len(said), 3):
        system, code, display = said[place : place + 3]
        if code is not None:
            found.append((name, system or "", code))
        if display is not None:
            found.append((name + TEXT, "", fold(display)))
    return found


@lru_cache(maxsize=4096)  # the components of one concept have the same codes and units
def component_tokens(said: Said, system: str, code: str, text: str) -> tuple[tuple[Token, ...], tuple[Token, ...]]:
    """Tokens of a component's code and those of its quantity's unit."""
    pairs = zip(said[1::3], said[2::3], strict=True) if isinstance(said, tuple) else ()
    codes = tuple((_COMPONENT, of or "", own) for of, own in pairs if own is not None)
    return as_set(codes), _tokens_of_unit(system, code, text)


_COMPONENT = "component-code"


def unit_tokens(quantity: Mapping[str, Any]) -> tuple[Token, ...]:
    """Tokens of a quantity's unit."""
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


def literal(reference: Mapping[str, Any]) -> str | None:
    """Where a reference leads, without the version; what lies inside the resource is not searched."""
    found: str | None = reference.get("reference")
    if found is None or found[:1] == "#":
        return None
    return found.partition("/_history/")[0] if "/_history/" in found else found


def logical(name: str, reference: Mapping[str, Any], found: str | None) -> list[str]:
    """Lines of a reference that carries an identifier or leads nowhere; `name` is the parameter's."""
    identifier = reference.get("identifier")
    if identifier is not None and "value" in identifier:
        return [f"{name}:identifier={identifier_line(identifier.get('system', ''), identifier['value'])}"]
    return [] if found is not None else [f"{name}:unlinked="]


@lru_cache(maxsize=1024)  # those who chart are few
def identifier_line(system: str | None, value: str) -> str:
    """Identifier of a reference as it stands in the terms; the beginning of one where the system is None."""
    first = on_one_line(value).replace("\\", "\\\\").replace("|", "\\|") + "|"
    return first if system is None else first + on_one_line(system)


def on_one_line(text: str) -> str:
    """Text without line feeds, which part the terms."""
    return text.replace("\n", " ")


def widest(so_far: DateRange, values: Sequence[Any], zone: tzinfo) -> DateRange:
    """Range from the first beginning to the last end of dates, Periods and Timings, and of what was there before."""
    if so_far is WITHOUT_DATE and len(values) == 1 and type(values[0]) is str:
        return date_range(values[0], zone)
    for each in values:
        low, high = date_range(each, zone) if type(each) is str else _outer(each, zone)
        known = so_far.low != NO_DATE
        so_far = DateRange(min(so_far.low, low), max(so_far.high, high)) if known else DateRange(low, high)
    return so_far


def _outer(value: Mapping[str, Any], zone: tzinfo) -> DateRange:
    """Range of a Period, or the outer bounds of a Timing (search.html#date)."""
    if "event" in value:
        return widest(WITHOUT_DATE, value["event"], zone)
    if "repeat" in value:
        value = value["repeat"].get("boundsPeriod", {})
    low = date_range(value["start"], zone).low if "start" in value else OPEN_LOW
    high = date_range(value["end"], zone).high if "end" in value else OPEN_HIGH
    return DateRange(low, high)
