"""A ViewDefinition as one SELECT (https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition.html, v2.0).

Taken: `constant`, `where`, `select` with `column`, `forEach`, `forEachOrNull`, `unionAll` and `select` in any depth,
`collection`, `%rowIndex` and the tag `ansi/type`. Not taken, and refused: `repeat`, boundary functions.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from typing import Any

from service.fhir import r4
from service.registry.views.fhirpath import Literal, Node, UnsupportedPath, parse
from service.registry.views.functions import CALLS
from service.registry.views.shape import Shape
from service.registry.views.translate import Translation, Value, at_most_one

__all__ = ["FaultyView", "View", "compile_view"]

Tree = Mapping[str, Any]
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_SQL_TYPE = re.compile(r"[A-Z][A-Z ]*(\(\d+(, ?\d+)?\))?")
_NODE_KEYS = frozenset({"column", "select", "forEach", "forEachOrNull", "unionAll", "id", "extension"})
_OPENS = ("forEach", "forEachOrNull", "unionAll", "column", "select")
ROW = "r"


class FaultyView(ValueError):
    """A ViewDefinition that cannot be run, with the place in it."""


@dataclass(frozen=True, slots=True)
class View:
    """A compiled view: `select` is what follows SELECT, with the row of the resource named `r` in it."""

    name: str
    resource: str
    columns: tuple[str, ...]
    shape: Shape
    expressions: tuple[str, ...]
    joins: str
    condition: str

    def sql(self, source: str, carried: Sequence[str] = ()) -> str:
        """The SELECT over `source`, a table of the columns of `shape`; `carried` columns of it come first."""
        listed = [*(f"{ROW}.{name}" for name in carried)]
        listed += [f'{sql} AS "{name}"' for name, sql in zip(self.columns, self.expressions, strict=True)]
        where = f" WHERE {self.condition}" if self.condition else ""
        return f"SELECT {', '.join(listed)} FROM {source} {ROW}{self.joins}{where}"


@dataclass(frozen=True, slots=True)
class _Part:
    """What one node of the select tree adds: joined row sources, and columns."""

    joins: str
    columns: tuple[tuple[str, str], ...]


def compile_view(definition: Tree, shape: Shape | None = None) -> View:
    """Compile a view; `shape` gathers what several views of one resource type read.

    Raises FaultyView, which names the place in the definition.
    """
    resource = definition.get("resource")
    if not isinstance(resource, str) or resource not in r4.tabled_types():
        raise FaultyView(f"resource: {resource!r} is no resource type that is known here")
    shape = shape if shape is not None else Shape(resource)
    compiler = _Compiler(Translation(_constants(definition.get("constant", ())), CALLS), count())
    row = Value(ROW, resource, False, shape, root=True)
    part = compiler.nodes(definition.get("select"), row, "select")
    conditions = [compiler.condition(node, row, f"where[{at}]") for at, node in enumerate(definition.get("where", ()))]
    names = [name for name, _ in part.columns]
    if not names:
        raise FaultyView("select: no column at all")
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise FaultyView(f"select: more than one column {', '.join(twice)}")
    expressions = tuple(sql for _, sql in part.columns)
    name = str(definition.get("name", ""))
    return View(name, resource, tuple(names), shape, expressions, part.joins, " AND ".join(conditions))


def _constants(listed: Sequence[Tree]) -> dict[str, Literal]:
    found = {}
    for at, constant in enumerate(listed):
        values = [(key, value) for key, value in constant.items() if key.startswith("value")]
        if not isinstance(constant.get("name"), str) or len(values) != 1:
            raise FaultyView(f"constant[{at}]: a name and one value are needed")
        ((key, value),) = values
        type_ = key.removeprefix("value")
        found[constant["name"]] = Literal(value, type_[0].lower() + type_[1:])
    return found


@dataclass(slots=True)
class _Compiler:
    translation: Translation
    sources: "count[int]"

    def nodes(self, listed: Any, context: Value, place: str) -> _Part:
        """Several nodes beside one another: their rows are combined each with each."""
        if not isinstance(listed, list) or not listed:
            raise FaultyView(f"{place}: a list of nodes is needed")
        return _beside([self._node(node, context, f"{place}[{at}]") for at, node in enumerate(listed)])

    def condition(self, node: Any, context: Value, place: str) -> str:
        """A condition of `where`; what is neither true nor false keeps no row."""
        try:
            found = self.translation.truth(parse(_text(node, "path")), context)
        except UnsupportedPath as fault:
            raise FaultyView(f"{place}.path: {fault}") from None
        return f"coalesce({found.sql}, false)"

    def _node(self, node: Any, context: Value, place: str) -> _Part:
        if not isinstance(node, dict) or not any(key in node for key in _OPENS):
            raise FaultyView(f"{place}: column, select, forEach, forEachOrNull or unionAll is needed")
        if strange := sorted(set(node) - _NODE_KEYS):
            raise FaultyView(f"{place}.{strange[0]}: not supported")
        opened, context, inside = self._opened(node, context, place)
        parts = [_Part(opened, ()), inside._columns(node.get("column", ()), context, place)]
        if "select" in node:
            parts.append(inside.nodes(node["select"], context, f"{place}.select"))
        if "unionAll" in node:
            parts.append(inside._union(node["unionAll"], context, f"{place}.unionAll"))
        return _beside(parts)

    def _opened(self, node: Tree, context: Value, place: str) -> tuple[str, Value, "_Compiler"]:
        """One row for each element of a collection; with `forEachOrNull`, one also where there is none.

        Gives the joined rows, what the node's paths stand on, and the compiler that knows the rows' `%rowIndex`.
        """
        key = "forEach" if "forEach" in node else "forEachOrNull"
        if key not in node:
            return "", context, self
        if "forEach" in node and "forEachOrNull" in node:
            raise FaultyView(f"{place}: forEach and forEachOrNull together")
        found = self._path(node[key], context, f"{place}.{key}")
        alias = f"s{next(self.sources)}"
        listed = found.sql if found.many else f"list_filter([{found.sql}], lambda one: one IS NOT NULL)"
        # A place that nobody asks for costs nothing: DuckDB leaves out columns that are not read.
        rows = f"(SELECT unnest({listed}) AS item, generate_subscripts({listed}, 1) - 1 AS place) {alias}"
        joins = f" CROSS JOIN LATERAL {rows}" if key == "forEach" else f" LEFT JOIN LATERAL {rows} ON true"
        inside = replace(self.translation, row_index=f"coalesce({alias}.place, 0)")
        return joins, Value(f"{alias}.item", found.type, False, found.shape), replace(self, translation=inside)

    def _columns(self, listed: Sequence[Tree], context: Value, place: str) -> _Part:
        return _Part(
            "", tuple(self._column(column, context, f"{place}.column[{at}]") for at, column in enumerate(listed))
        )

    def _column(self, column: Tree, context: Value, place: str) -> tuple[str, str]:
        name = _text(column, "name")
        if not _NAME.fullmatch(name):
            raise FaultyView(f"{place}.name: {name!r} is no name of a column")
        found = self._path(column.get("path"), context, f"{place}.path")
        if column.get("collection"):
            return name, f"coalesce({found.sql}, [])" if found.many else found.sql
        sql = at_most_one(found).sql
        return name, sql if (type_ := _ansi_type(column, place)) is None else f"try_cast({sql} AS {type_})"

    def _union(self, listed: Any, context: Value, place: str) -> _Part:
        """The rows of several nodes after one another; all have the same columns in the same order."""
        if not isinstance(listed, list) or not listed:
            raise FaultyView(f"{place}: a list of nodes is needed")
        parts = [self._node(node, context, f"{place}[{at}]") for at, node in enumerate(listed)]
        names = [name for name, _ in parts[0].columns]
        for at, part in enumerate(parts):
            if [name for name, _ in part.columns] != names:
                raise FaultyView(f"{place}[{at}]: columns mismatch")
        alias = f"s{next(self.sources)}"
        rows = " UNION ALL ".join(_standing_alone(part) for part in parts)
        return _Part(f" CROSS JOIN LATERAL ({rows}) {alias}", tuple((name, f'{alias}."{name}"') for name in names))

    def _path(self, path: Any, context: Value, place: str) -> Value:
        try:
            tree: Node = parse(path)
            return self.translation.value(tree, context)
        except UnsupportedPath as fault:
            raise FaultyView(f"{place}: {fault}") from None


def _text(node: Any, key: str) -> str:
    found = node.get(key) if isinstance(node, dict) else None
    if not isinstance(found, str):
        raise FaultyView(f"{key}: a text is needed")
    return found


def _ansi_type(column: Tree, place: str) -> str | None:
    """The SQL type that the tag `ansi/type` asks for."""
    for tag in column.get("tag", ()):
        if tag.get("name") == "ansi/type":
            if not _SQL_TYPE.fullmatch(str(tag.get("value"))):
                raise FaultyView(f"{place}.tag: {tag.get('value')!r} is no SQL type")
            return str(tag["value"])
    return None


def _beside(parts: Sequence[_Part]) -> _Part:
    return _Part("".join(part.joins for part in parts), tuple(column for part in parts for column in part.columns))


def _standing_alone(part: _Part) -> str:
    columns = ", ".join(f'{sql} AS "{name}"' for name, sql in part.columns)
    return f"SELECT {columns} FROM (SELECT 1) one{part.joins}"
