"""Seeded damage to documents and requests: what a broken sender, a wrong mapping or an attacker would send."""

import random
import string
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from service import strict_json

ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 10**18, Decimal(10) ** 60, 0.1, -0.0, 1e-300, "", " ", "0", "null", "NaN", "-",
    "é" * 100, "a" * 5000,
    "\x00", "\u202e", "\U0001fa79", "'; DROP TABLE entries; --", "<script>alert(1)</script>", "../../etc/passwd",
    "${jndi:x}",
    "%s%n", "urn:uuid:", "Patient/x", "http://[", "0000-00-00", "2026-02-30T00:00:00Z",
    "9999-12-31T23:59:59.999999999+14:00",
    "2026-03-02T08:00:00", [], {}, [[]], [None], {"": ""}, {"a": {"b": []}}, ["x"] * 300,
)  # fmt: skip
ODD_BYTES = (b"\x00", b"\xff", b'"', b"{", b"]", b",", b"\\", b"\\ud800", b"1e999", b"\xef\xbb\xbf", b"//", b"NaN")


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place of a JSON value but the whole of it."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in pairs:
        yield (*path, key)
        yield from places(inner, (*path, key))


def _outer(document: Any, path: tuple[Any, ...]) -> Any:
    for step in path[:-1]:
        document = document[step]
    return document


def _replaced(chance: random.Random, document: Any, path: tuple[Any, ...]) -> None:
    _outer(document, path)[path[-1]] = chance.choice(ODD)


def _removed(_chance: random.Random, document: Any, path: tuple[Any, ...]) -> None:
    del _outer(document, path)[path[-1]]


def _doubled(chance: random.Random, document: Any, path: tuple[Any, ...]) -> None:
    outer = _outer(document, path)
    if isinstance(outer, list):
        outer.insert(chance.randrange(len(outer) + 1), outer[path[-1]])
    else:
        outer["".join(chance.choices(string.ascii_letters, k=5))] = outer[path[-1]]


def _swapped(chance: random.Random, document: Any, path: tuple[Any, ...]) -> None:
    other = chance.choice(list(places(document)))
    _outer(document, path)[path[-1]] = strict_json.read(strict_json.write(_outer(document, other)[other[-1]]))


def _nudged(chance: random.Random, document: Any, path: tuple[Any, ...]) -> None:
    outer, key = _outer(document, path), path[-1]
    value = outer[key]
    if isinstance(value, str) and value:
        at = chance.randrange(len(value))
        outer[key] = value[:at] + chance.choice(string.printable) + value[at + chance.randrange(2) :]
    elif isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        outer[key] = Decimal(str(value)) * chance.choice((-1, 10, 1000)) + chance.choice((0, 1))


DAMAGES: tuple[Callable[[random.Random, Any, tuple[Any, ...]], None], ...] = (
    _replaced, _replaced, _removed, _doubled, _swapped, _nudged, _nudged,
)  # fmt: skip


def damaged(chance: random.Random, document: Any) -> bytes:
    """The document with one to three faults in its values; one in five has faults in its bytes too."""
    copied = strict_json.read(strict_json.write(document))
    for _ in range(chance.choice((1, 1, 2, 3))):
        listed = list(places(copied))
        if listed:
            chance.choice(DAMAGES)(chance, copied, chance.choice(listed))
    raw = strict_json.write(copied)
    return damaged_bytes(chance, raw) if chance.random() < 0.2 else raw


def damaged_bytes(chance: random.Random, raw: bytes) -> bytes:
    """Cut off, with something put in, or with a part twice."""
    first, second = sorted(chance.randrange(len(raw) + 1) for _ in range(2))
    match chance.randrange(3):
        case 0:
            return raw[:first]
        case 1:
            return raw[:first] + chance.choice(ODD_BYTES) + raw[first:]
    return raw[:second] + raw[first:]


def damaged_text(chance: random.Random, text: str) -> str:
    """A URL or header value with one to four odd pieces put in or characters lost; still ASCII without line ends."""
    pieces = ("%00", "%", "%ff", "|", "||", "$", "\\", ",", ":", "=", "&", "?", "/", "..", "%0d%0a", "%F0%9F%A9%B9",
              "ge", "*", "{}",
              "9" * 40, "-1", "e400", "A" * 300, ";", "'", "%27--", "[0]", "#")  # fmt: skip
    for _ in range(chance.randrange(1, 5)):
        at = chance.randrange(len(text) + 1)
        text = text[:at] + (chance.choice(pieces) + text[at:] if chance.random() < 0.7 else text[at + 1 :])
    return text
