"""The FHIRPath that ViewDefinitions need, as a tree.

The subset is that of the profile ShareableViewDefinition of SQL on FHIR v2.0: paths, `where`, `exists`, `empty`,
`not`, `first`, `join`, `extension`, `ofType`, `getResourceKey`, `getReferenceKey`, an index, `and`/`or`, comparison,
arithmetic, literals, `%constants` and `$this`.
Anything else is refused with its place in the text (FHIRPath 2.0.0, grammar).
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

__all__ = ["Call", "Constant", "Index", "Literal", "Member", "Node", "Operation", "This", "UnsupportedPath", "parse"]


class UnsupportedPath(ValueError):
    """The expression is not of the subset, or does not fit the type that it is asked of; says where."""


@dataclass(frozen=True, slots=True)
class This:
    """`$this`: what the expression is evaluated on."""


@dataclass(frozen=True, slots=True)
class Literal:
    """A literal with the FHIR type it has."""

    value: str | int | Decimal | bool
    type: str


@dataclass(frozen=True, slots=True)
class Constant:
    """`%name`."""

    name: str


@dataclass(frozen=True, slots=True)
class Member:
    """`of.name`; `of` is None at the beginning of a path."""

    of: "Node | None"
    name: str


@dataclass(frozen=True, slots=True)
class Call:
    """`of.name(arguments)`."""

    of: "Node | None"
    name: str
    arguments: tuple["Node", ...]


@dataclass(frozen=True, slots=True)
class Index:
    """`of[at]`, counted from 0; `at` may be a constant of the view."""

    of: "Node"
    at: int | Constant


@dataclass(frozen=True, slots=True)
class Operation:
    """`left sign right`."""

    sign: str
    left: "Node"
    right: "Node"


Node = This | Literal | Constant | Member | Call | Index | Operation

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<text>'(?:[^'\\]|\\.)*')|(?P<date>@T?\d[\dT:.Z+\-]*)|(?P<constant>%\w+)"
    r"|(?P<word>\$this|[A-Za-z_]\w*)|(?P<quoted>`[^`]+`)|(?P<sign>!=|<=|>=|[=<>+\-*/.,()\[\]]))"
)
# Loosest first, as FHIRPath 2.0.0 binds them.
_LEVELS = (("or",), ("and",), ("=", "!="), ("<", ">", "<=", ">="), ("+", "-"), ("*", "/"))
_ESCAPES = {"n": "\n", "t": "\t", "r": "\r", "f": "\f"}
_Token = tuple[str, str, int]


def parse(text: str) -> Node:
    """The tree of an expression. Raises UnsupportedPath."""
    if not isinstance(text, str) or not text.strip():
        raise UnsupportedPath(f"a path is a text that is not empty, not {text!r}")
    reader = _Reader(text, _tokens(text))
    found = reader.level(0)
    reader.finish()
    return found


def _tokens(text: str) -> list[_Token]:
    found, at = [], 0
    while text[at:].strip():
        match = _TOKEN.match(text, at)
        if match is None or match.lastgroup is None:
            raise UnsupportedPath(f"{text!r}: not understood from character {at + 1}")
        found.append((match.lastgroup, match[match.lastgroup], at))
        at = match.end()
    return found


class _Reader:
    """Reads tokens from left to right, one function a rule of the grammar."""

    def __init__(self, text: str, tokens: list[_Token]) -> None:
        self._text, self._tokens, self._at = text, tokens, 0

    def _peek(self) -> str:
        return self._tokens[self._at][1] if self._at < len(self._tokens) else ""

    def _take(self) -> _Token:
        if self._at == len(self._tokens):
            raise UnsupportedPath(f"{self._text!r} ends too early")
        self._at += 1
        return self._tokens[self._at - 1]

    def _expect(self, sign: str) -> None:
        _, found, at = self._take()
        if found != sign:
            raise UnsupportedPath(f"{self._text!r}: {sign!r} expected at character {at + 1}, not {found!r}")

    def finish(self) -> None:
        """Nothing may follow."""
        if self._at < len(self._tokens):
            raise UnsupportedPath(f"{self._text!r}: {self._peek()!r} is not of the subset")

    def level(self, depth: int) -> Node:
        """Operators of one binding strength, from left to right."""
        if depth == len(_LEVELS):
            return self._path()
        left = self.level(depth + 1)
        while self._peek() in _LEVELS[depth]:
            sign = self._take()[1]
            left = Operation(sign, left, self.level(depth + 1))
        return left

    def _path(self) -> Node:
        found = self._term()
        while self._peek() in (".", "["):
            if self._take()[1] == ".":
                found = self._step(found)
            else:
                found = Index(found, self._place())
                self._expect("]")
        return found

    def _place(self) -> int | Constant:
        kind, text, _ = self._take()
        if kind == "constant":
            return Constant(text[1:])
        if kind != "number" or not text.isdigit():
            raise UnsupportedPath(f"{self._text!r}: an index is a whole number")
        return int(text)

    def _term(self) -> Node:
        kind, text, at = self._take()
        if text == "(":
            found = self.level(0)
            self._expect(")")
            return found
        if text == "-" and self._at < len(self._tokens) and self._tokens[self._at][0] == "number":
            number = _number(self._take()[1])
            return Literal(-number.value, number.type)  # type: ignore[operator]  # _number gives numbers only
        if kind in _LITERALS:
            return _LITERALS[kind](text)
        if kind in ("word", "quoted"):
            self._at -= 1
            return self._step(None)
        raise UnsupportedPath(f"{self._text!r}: {text!r} at character {at + 1} is not of the subset")

    def _step(self, of: Node | None) -> Node:
        kind, text, at = self._take()
        if kind not in ("word", "quoted"):
            raise UnsupportedPath(f"{self._text!r}: a name expected at character {at + 1}, not {text!r}")
        if of is None and text in ("true", "false"):
            return Literal(text == "true", "boolean")
        if text == "$this":
            return of or This()
        if self._peek() != "(":
            return Member(of, text.strip("`"))
        self._take()
        arguments: list[Node] = []
        while self._peek() != ")":
            arguments.append(self.level(0))
            if self._peek() == ",":
                self._take()
        self._expect(")")
        return Call(of, text, tuple(arguments))


def _number(text: str) -> Literal:
    return Literal(Decimal(text), "decimal") if "." in text else Literal(int(text), "integer")


def _text(text: str) -> Literal:
    return Literal(re.sub(r"\\(.)", lambda found: _ESCAPES.get(found[1], found[1]), text[1:-1]), "string")


def _date(text: str) -> Literal:
    bare = text[1:]
    if bare.startswith("T"):
        return Literal(bare[1:], "time")
    return Literal(bare, "dateTime" if "T" in bare else "date")


_LITERALS: dict[str, Callable[[str], Node]] = {
    "number": _number,
    "text": _text,
    "date": _date,
    "constant": lambda text: Constant(text[1:]),
}
