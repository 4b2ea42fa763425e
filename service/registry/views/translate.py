"""A FHIRPath tree as a DuckDB expression.

A collection of FHIRPath is a list, a single element a value, and an empty collection NULL or an empty list. The types
come from the published R4 tables, so that a name that R4 does not have is refused when a view is read, not when it
runs.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import count

from service.fhir import r4
from service.registry.views.fhirpath import (
    Call,
    Constant,
    Index,
    Literal,
    Member,
    Node,
    Operation,
    This,
    UnsupportedPath,
)
from service.registry.views.shape import Shape, only_type

_COMPARED_AS_INSTANTS = frozenset({"dateTime", "instant"})
_NUMBERS = frozenset({"integer", "decimal", "positiveInt", "unsignedInt"})


@dataclass(frozen=True, slots=True)
class Value:
    """A compiled expression: its SQL, FHIR type, whether it is a list, and where it stands in the shape."""

    sql: str
    type: str
    many: bool = False
    shape: Shape | None = None
    root: bool = False  # a whole resource: its elements are columns


@dataclass(frozen=True, slots=True)
class Choice:
    """`value` of `value[x]`: it becomes an element by `ofType`."""

    of: Value
    name: str
    types: tuple[str, ...]


@dataclass(slots=True)
class Translation:
    """Compiles expressions of one view; `constants` are the view's own, `calls` the functions that may be called.

    `row_index` is the SQL of `%rowIndex`: the place, from 0, of the element that the nearest `forEach` stands on.
    """

    constants: Mapping[str, Literal]
    calls: "Mapping[str, tuple[frozenset[int], CallBuilder]]"
    names: "count[int]" = field(default_factory=count)
    row_index: str = "0"

    def value(self, node: Node, context: Value) -> Value:
        """The expression evaluated on `context`. Raises UnsupportedPath."""
        found = self.any(node, context)
        if isinstance(found, Choice):
            raise UnsupportedPath(f"{found.name}[x] needs ofType()")
        return found

    def single(self, node: Node, context: Value) -> Value:
        """The same as at most one element; several are an error when the view runs, as the specification asks."""
        return at_most_one(self.value(node, context))

    def truth(self, node: Node, context: Value) -> Value:
        """The same as a boolean. Raises UnsupportedPath where it is something else."""
        found = self.single(node, context)
        if found.type != "boolean":
            raise UnsupportedPath(f"a condition is true or false, not {found.type}")
        return found

    def any(self, node: Node, context: Value) -> Value | Choice:
        """The same, where `value[x]` may still be open."""
        match node:
            case This():
                return context
            case Literal():
                return _literal(node)
            case Constant("rowIndex"):
                return Value(self.row_index, "integer")
            case Constant(name):
                return _literal(self._constant(name))
            case Member(of, name):
                return self._member(of, name, context)
            case Index(of, at):
                return nth(self.value(of, context), self._place(at))
            case Operation():
                return self._operation(node, context)
            case Call():
                return self._call(node, context)

    def _constant(self, name: str) -> Literal:
        if name not in self.constants:
            raise UnsupportedPath(f"%{name} is not among the constants of the view")
        return self.constants[name]

    def _place(self, at: int | Constant) -> int:
        found = at if isinstance(at, int) else self._constant(at.name).value
        if not isinstance(found, int) or isinstance(found, bool) or found < 0:
            raise UnsupportedPath(f"an index is a whole number, not {found!r}")
        return found

    def _member(self, of: Node | None, name: str, context: Value) -> Value | Choice:
        if of is None and context.root and name == context.type:
            return context  # a path may begin with the name of the resource type
        return self.element(context if of is None else self.value(of, context), name)

    def element(self, of: Value, name: str) -> Value | Choice:
        """An element of what was found. Raises UnsupportedPath for a name that R4 does not have."""
        try:
            known = r4.elements(of.type)
            element = known[name] if name in known else known[f"{name}[x]"]
        except KeyError:
            raise UnsupportedPath(f"{of.type} has no element {name!r}") from None
        if element.choice:
            return Choice(of, name, tuple(element.types))
        return self.read(of, name, only_type(element), element.repeats)

    def read(self, of: Value, name: str, type_: str, repeats: bool) -> Value:
        """The same for an element of known type, noted as read in the shape."""
        if of.shape is None:
            raise UnsupportedPath(f"{of.type} is computed and has no element {name!r}")
        shape = of.shape.child(name, type_, repeats)
        if of.root:
            return Value(f'{of.sql}."{name}"', type_, repeats, shape)
        if not of.many:
            return Value(f"struct_extract({of.sql}, '{name}')", type_, repeats, shape)
        each = self.each()
        inner = f"list_transform({of.sql}, lambda {each}: struct_extract({each}, '{name}'))"
        sql = f"flatten({inner})" if repeats else f"list_filter({inner}, lambda {each}: {each} IS NOT NULL)"
        return Value(sql, type_, True, shape)

    def each(self) -> str:
        """A new name for the element that a lambda stands on."""
        return f"e{next(self.names)}"

    def _operation(self, node: Operation, context: Value) -> Value:
        if node.sign in ("and", "or"):
            left, right = self.truth(node.left, context), self.truth(node.right, context)
            return Value(f"({left.sql} {node.sign.upper()} {right.sql})", "boolean")
        left, right = self.single(node.left, context), self.single(node.right, context)
        if node.sign in ("+", "-", "*", "/"):
            return _arithmetic(node.sign, left, right)
        sign = "<>" if node.sign == "!=" else node.sign
        first, second = _comparable(left, right, node.sign)
        return Value(f"({first} {sign} {second})", "boolean")

    def _call(self, node: Call, context: Value) -> Value:
        if node.name not in self.calls:
            raise UnsupportedPath(f"{node.name}() is not of the subset")
        allowed, build = self.calls[node.name]
        if len(node.arguments) not in allowed:
            raise UnsupportedPath(f"{node.name}() does not take {len(node.arguments)} arguments")
        return build(self, node, context)

    def on(self, node: Call, context: Value) -> Value:
        """What a function is called on."""
        return context if node.of is None else self.value(node.of, context)

    def where(self, of: Value, condition: Node) -> Value:
        """The elements for which the condition holds."""
        if not of.many:
            kept = self.truth(condition, of)
            return replace(of, sql=f"(CASE WHEN {kept.sql} THEN {of.sql} END)", root=False)
        each = self.each()
        kept = self.truth(condition, Value(each, of.type, False, of.shape))
        return replace(of, sql=f"list_filter({of.sql}, lambda {each}: coalesce({kept.sql}, false))")


def at_most_one(value: Value) -> Value:
    """A list as its only element; more than one is an error of the run."""
    if not value.many:
        return value
    several = "error('several elements where one was expected')"
    sql = f"(CASE WHEN len({value.sql}) > 1 THEN {several} ELSE {value.sql}[1] END)"
    return replace(value, sql=sql, many=False)


def nth(of: Value, at: int) -> Value:
    """The element at a place counted from 0; empty beyond the end."""
    if of.many:
        return replace(of, sql=f"list_extract({of.sql}, {at + 1})", many=False)
    return of if at == 0 else replace(of, sql="NULL")


def quoted(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def _literal(literal: Literal) -> Value:
    if isinstance(literal.value, bool):
        return Value("true" if literal.value else "false", "boolean")
    sql = quoted(literal.value) if isinstance(literal.value, str) else str(literal.value)
    return Value(sql, literal.type)


def _comparable(left: Value, right: Value, sign: str) -> tuple[str, str]:
    """Instants are compared as instants, so that offsets do not matter; dates and the rest as they are."""
    if sign not in ("=", "!=") and {left.type, right.type} & _COMPARED_AS_INSTANTS:
        return f"try_cast({left.sql} AS TIMESTAMPTZ)", f"try_cast({right.sql} AS TIMESTAMPTZ)"
    if (left.type in _NUMBERS) is not (right.type in _NUMBERS):
        raise UnsupportedPath(f"{left.type} {sign} {right.type} compares what is not comparable")
    return left.sql, right.sql


def _arithmetic(sign: str, left: Value, right: Value) -> Value:
    if left.type in _NUMBERS and right.type in _NUMBERS:
        return Value(f"(CAST({left.sql} AS DOUBLE) {sign} {right.sql})", "decimal")
    if sign == "+" and not {left.type, right.type} & (_NUMBERS | {"boolean"}):
        return Value(f"({left.sql} || {right.sql})", "string")
    raise UnsupportedPath(f"{left.type} {sign} {right.type} is not defined")


CallBuilder = Callable[[Translation, Call, Value], Value]
