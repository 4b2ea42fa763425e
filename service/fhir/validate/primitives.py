"""Primitive values of R4 (http://hl7.org/fhir/R4/datatypes.html#primitive): the published expression over the whole
text, and what the expression alone lets through: days that no calendar has, control characters, integers out of range.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from service.fhir.r4 import primitives

Test = Callable[[Any], bool]

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_MEDIA_TYPE = re.compile(r"[A-Za-z0-9!#$&^_.+-]+/[A-Za-z0-9!#$&^_.+*-]+(\s*;.+)?")
_BASE64 = re.compile(r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?")
_UUID = re.compile(r"urn:uuid:[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}(\|\S+)?")
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+(\|\S+)?")  # with the version of a canonical
_WHITE = re.compile(r"\s")
_CODE = re.compile(r"[^\s]+(\s[^\s]+)*")  # a no-break space at the end of a code is a blank too
_MOST = 2**31 - 1


def matcher(primitive: str) -> Callable[[str], re.Match[str] | None]:
    """Full match of the published expression. `\\S` is meant for ASCII blanks: a no-break space is text."""
    published = primitives()[primitive]
    assert published is not None
    return re.compile(published, re.ASCII).fullmatch


def day_exists(text: str) -> bool:
    """False for 30 February and the like; the text already has the form of a date or of a longer time."""
    day = int(text[8:10] or 1)
    if day < 29:
        return True
    try:
        date(int(text[:4]), int(text[5:7]), day)
    except ValueError:
        return False
    return True


def _timed(primitive: str) -> Test:
    match = matcher(primitive)

    def test(value: Any) -> bool:
        return type(value) is str and match(value) is not None and day_exists(value)

    return test


def _matching(primitive: str) -> Test:
    match = matcher(primitive)

    def test(value: Any) -> bool:
        return type(value) is str and match(value) is not None

    return test


def is_string(value: Any) -> bool:
    """Text with at least one visible character and no control character but tab, line feed and carriage return."""
    if type(value) is not str:
        return False
    if value.isprintable():
        return value != "" and not value.isspace()
    return not value.isspace() and _CONTROL.search(value) is None


def is_code(value: Any) -> bool:
    """No blank at either end, none but single blanks inside."""
    if type(value) is not str or not value:
        return False
    return value.isalnum() or (_CODE.fullmatch(value) is not None and _CONTROL.search(value) is None)


def is_uri(value: Any) -> bool:
    """No blank anywhere; a urn:uuid or urn:oid is a whole one."""
    if type(value) is not str or not value or _WHITE.search(value) or _CONTROL.search(value):
        return False
    if value.startswith("urn:uuid:"):
        return _UUID.fullmatch(value) is not None
    return not value.startswith("urn:oid:") or _OID.fullmatch(value) is not None


def is_boolean(value: Any) -> bool:
    """JSON true or false, not 1, not text."""
    return value is True or value is False


def is_decimal(value: Any) -> bool:
    """A Decimal or an int. A float has lost the written digits and is refused."""
    return type(value) is int or (type(value) is Decimal and value.is_finite())


def _integer_from(least: int) -> Test:
    def test(value: Any) -> bool:
        return type(value) is int and least <= value <= _MOST

    return test


def is_base64(value: Any) -> bool:
    """Whole groups of four, blanks between them allowed."""
    return type(value) is str and value != "" and _BASE64.fullmatch("".join(value.split())) is not None


def is_media_type(value: Any) -> bool:
    """The shape of a BCP 13 media type; R4 binds these elements to an open set."""
    return is_code(value) and ("/" not in value or _MEDIA_TYPE.fullmatch(value) is not None)


@cache
def test_of(primitive: str) -> Test:
    """The test of a primitive type by its name. Raises KeyError for another name."""
    return _TESTS[primitive]()


_TESTS: dict[str, Callable[[], Test]] = {
    "base64Binary": lambda: is_base64,
    "boolean": lambda: is_boolean,
    "canonical": lambda: is_uri,
    "code": lambda: is_code,
    "date": lambda: _timed("date"),
    "dateTime": lambda: _timed("dateTime"),
    "decimal": lambda: is_decimal,
    "id": lambda: _matching("id"),
    "instant": lambda: _timed("instant"),
    "integer": lambda: _integer_from(-_MOST - 1),
    "markdown": lambda: is_string,
    "oid": lambda: _matching("oid"),
    "positiveInt": lambda: _integer_from(1),
    "string": lambda: is_string,
    "time": lambda: _matching("time"),
    "unsignedInt": lambda: _integer_from(0),
    "uri": lambda: is_uri,
    "url": lambda: is_uri,
    "uuid": lambda: _matching("uuid"),
    "xhtml": lambda: is_string,
}


def is_primitive(type_name: str) -> bool:
    """True for the name of a primitive type."""
    return type_name in _TESTS
