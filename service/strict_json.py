"""JSON read strictly and written with the digits that were read.

RFC 8259 leaves duplicate keys, very large numbers and lone surrogates to the reader; a chart cannot. Whatever two
readers could understand differently is refused, and a number stays the decimal that was written.
"""

import json
from decimal import Decimal, InvalidOperation
from typing import Any

import orjson

LARGEST_DOCUMENT = 1024 * 1024
DEEPEST_NESTING = 32
LARGEST_EXPONENT = 308  # beyond it other readers make it infinite
MOST_DIGITS = 100


class Unreadable(ValueError):
    """The bytes are no JSON that every reader understands alike; the text says why."""


class TooLarge(Unreadable):
    """The document is over the size limit."""


def read(document: bytes, *, largest: int = LARGEST_DOCUMENT, deepest: int = DEEPEST_NESTING) -> Any:
    """The value of a JSON document, numbers as int or `Decimal`.

    Raises `TooLarge` over `largest` bytes, else `Unreadable`: not UTF-8, not JSON, a name twice in an object, NaN or
    infinity, a number too large to be one, nested deeper than `deepest`, half of a surrogate pair.
    """
    if len(document) > largest:
        raise TooLarge(f"the document has {len(document)} bytes, more than the {largest} allowed")
    try:
        text = document.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise Unreadable(f"not UTF-8 at byte {fault.start}") from fault
    try:
        value = _DECODER.decode(text)
    except json.JSONDecodeError as fault:
        raise Unreadable(f"not JSON: {fault.msg} at line {fault.lineno}, column {fault.colno}") from fault
    except RecursionError as fault:
        raise Unreadable(f"nested deeper than {deepest}") from fault
    if document.count(b"[") + document.count(b"{") > deepest and _depth_over(value, deepest):
        raise Unreadable(f"nested deeper than {deepest}")
    if "\\u" in text:
        _refuse_half_pairs(value)
    return value


def write(value: Any) -> bytes:
    """Compact JSON; a `Decimal` is written with its own digits."""
    return orjson.dumps(value, default=_digits)


def canonical(value: Any) -> bytes:
    """One spelling for equal content: names sorted, numbers compared as numbers (20, 20.0 and 2e1 are one)."""
    return orjson.dumps(value, default=_bare_number, option=orjson.OPT_SORT_KEYS)


def _digits(value: Any) -> orjson.Fragment:
    if isinstance(value, Decimal):
        return orjson.Fragment(str(value))
    raise TypeError(type(value).__name__)


def _bare_number(value: Any) -> orjson.Fragment:
    if isinstance(value, Decimal):
        bare = value.normalize()
        return orjson.Fragment(f"{bare:f}" if bare else "0")
    raise TypeError(type(value).__name__)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Unreadable(f"the name {twice[:64]!r} stands twice in one object")
    return members


def _integer(digits: str) -> int | Decimal:
    if len(digits) > MOST_DIGITS:
        raise Unreadable("a number too large to be one")
    return int(digits) if len(digits) < 19 else Decimal(digits)


def _decimal(digits: str) -> Decimal:
    try:
        number = Decimal(digits)
    except InvalidOperation as fault:
        raise Unreadable("a number too large to be one") from fault
    if not number.is_finite() or len(digits) > MOST_DIGITS or abs(number.adjusted()) > LARGEST_EXPONENT:
        raise Unreadable("a number too large (or too small) to be one")
    return number


def _constant(name: str) -> Any:
    raise Unreadable(f"{name} is no JSON number")


_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_int=_integer, parse_float=_decimal, parse_constant=_constant
)


def _depth_over(value: Any, deepest: int) -> bool:
    level = [value]
    for _ in range(deepest):
        members = (outer.values() if type(outer) is dict else outer for outer in level)
        level = [inner for some in members for inner in some if type(inner) in (dict, list)]
        if not level:
            return False
    return True


def _refuse_half_pairs(value: Any) -> None:
    try:
        orjson.dumps(value, default=str)
    except (TypeError, orjson.JSONEncodeError) as fault:
        if "surrogate" in str(fault) or "UTF-8" in str(fault):
            raise Unreadable("half of a surrogate pair in a text") from fault
