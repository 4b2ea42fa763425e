"""FHIR JSON in and out with the written digits of every decimal kept (http://hl7.org/fhir/R4/json.html).

31.0 read is 31.0 written: numbers with a fraction or an exponent are read as `decimal.Decimal` and written with their
own digits in plain notation. What two receivers may not read the same way is refused whole (see `service.strict_json`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, NoReturn

import orjson

from service import strict_json
from service.fhir.r4.issue import Issue

MAX_BYTES = 16 * 1024 * 1024
MAX_DEPTH = 32
_LONGEST_ROW_OF_ZEROS = 40
Written = orjson.Fragment


class Unreadable(ValueError):
    """The bytes are not one FHIR JSON object; `issues` says why."""

    def __init__(self, issues: Sequence[Issue]) -> None:
        super().__init__("; ".join(issue.diagnostics for issue in issues))
        self.issues = list(issues)


def read(raw: bytes, *, max_bytes: int = MAX_BYTES, max_depth: int = MAX_DEPTH) -> dict[str, Any]:
    """Parse one JSON object. Raises `Unreadable` with the first fault, or with every repeated key and its path."""
    try:
        found = strict_json.read(raw, largest=max_bytes, deepest=max_depth)
    except strict_json.TooLarge as fault:
        _refuse("too-long", str(fault))
    except strict_json.Unreadable as fault:
        repeated = _repeated_keys(raw)
        if repeated:
            raise Unreadable(repeated) from None
        _refuse("structure", str(fault))
    if type(found) is not dict:
        _refuse("structure", "a FHIR resource is one JSON object")
    resource: dict[str, Any] = found
    return resource


def write(resource: Mapping[str, Any]) -> bytes:
    """The resource as UTF-8 JSON, keys in the given order. Raises TypeError for a value that JSON cannot hold."""
    return orjson.dumps(resource, default=_written, option=orjson.OPT_PASSTHROUGH_DATETIME)


def written(tree: Any) -> Written:
    """A tree as its bytes, which `write` copies wherever it stands in a resource."""
    return Written(orjson.dumps(tree, default=_written, option=orjson.OPT_PASSTHROUGH_DATETIME))


def write_text(text: str) -> bytes:
    """A text as a JSON string."""
    return orjson.dumps(text)


def plain(number: Decimal) -> str:
    """The digits of a decimal as JSON: Decimal('1E+3') is 1000, Decimal('31.0') is 31.0.

    An exponent stays only where plain notation would be a row of zeros too long to be read back. Raises TypeError for
    what is no number.
    """
    if not number.is_finite():
        raise TypeError(f"{number} has no place in FHIR JSON")
    text = str(number)
    if "E" not in text:
        return text
    return format(number, "f") if abs(number.adjusted()) < _LONGEST_ROW_OF_ZEROS else text


def _written(value: Any) -> Any:
    if type(value) is Decimal:
        text = str(value)
        return Written(text if value.is_finite() and "E" not in text else plain(value))
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} has no place in FHIR JSON")


def _refuse(code: str, diagnostics: str) -> NoReturn:
    raise Unreadable([Issue("error", code, "", diagnostics, "bytes")])


class _Pairs(list[tuple[str, Any]]):
    """An object before its keys are made unique; kept apart from arrays."""


def _repeated_keys(raw: bytes) -> list[Issue]:
    """Second, slow reading of a refused text: one issue for each repeated key, with its path; none for other faults."""
    found: list[Issue] = []
    decoder = json.JSONDecoder(object_pairs_hook=_Pairs, parse_int=str, parse_float=str)
    try:
        _look_for_repeats(decoder.decode(raw.decode("utf-8")), "", found)
    except (ValueError, RecursionError):
        return []
    return found


def _look_for_repeats(node: Any, path: str, found: list[Issue]) -> None:
    if isinstance(node, _Pairs):
        seen: set[str] = set()
        here = path or next((str(value) for key, value in node if key == "resourceType"), "")
        for key, value in node:
            where = f"{here}.{key}" if here else key
            if key in seen:
                found.append(Issue("error", "structure", where, f"the key {key!r} stands twice in one object", "bytes"))
            seen.add(key)
            _look_for_repeats(value, where, found)
    elif isinstance(node, list):
        for place, value in enumerate(node):
            _look_for_repeats(value, f"{path}[{place}]", found)
