"""The registry's file: what the views give of every resource received, in DuckDB.

Each view of `mappings/views` is a table; `site` stands first, then the key that `getResourceKey()` gives. A resource is
known by site, type and id; a newer version takes the place of an older one, whatever the order in which they arrive.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from service.registry.views.definition import View, compile_view
from service.registry.views.shape import Shape
from service.registry.views.translate import quoted
from service.terminology.tables import folder_of_tables

__all__ = ["Merged", "NoRegistry", "ViewSet", "columns_of", "merge_type", "open_registry", "read_views", "write_tables"]

ROW_LIMIT_BYTES = 16 * 1024 * 1024
# `meta.source` of what this service emits: .../site/<site>/<interface>, or .../site/<pseudonym> where de-identified.
# The segment stays escaped as it is in the URL. Splitting is cheaper than the pattern; it finds nothing where the first
# segment is empty, and there the pattern looks further.
_SITE = (
    "coalesce(nullif(split_part(split_part(meta.source, '/site/', 2), '/', 1), ''),"
    " nullif(regexp_extract(meta.source, '/site/([^/]+)', 1), ''))"
)
# Rows are known by their place in `scanned`: the order of files and lines, kept though several threads read.
_NEW_ROWS = " SEMI JOIN newest ON scanned.rowid = newest.place"
# Numbers are counted faster than pairs of texts; should two resources have the same hash, they take the longer way.
_COMPETING = (
    "SELECT count(*), count(*) <> count(DISTINCT hash(site, id)) OR EXISTS (FROM received WHERE type = ?) FROM scanned"
)
FORMATS = {"parquet": "(FORMAT parquet, COMPRESSION zstd)", "csv": "(FORMAT csv, HEADER)"}

_RECEIVED = """
CREATE TABLE IF NOT EXISTS received (
  site VARCHAR NOT NULL, type VARCHAR NOT NULL, id VARCHAR NOT NULL, version BIGINT, updated TIMESTAMPTZ,
  source VARCHAR
)"""


class NoRegistry(RuntimeError):
    """The file is no registry, is open elsewhere, or was made with other views; says which and what helps."""


@dataclass(frozen=True, slots=True)
class ViewSet:
    """Every view, by resource type; the shape of a type is what all its views read together, and its origin.

    `kept` names the elements that the views themselves read: the others are not carried along.
    """

    by_type: Mapping[str, tuple[View, ...]]
    shapes: Mapping[str, Shape]
    kept: Mapping[str, tuple[str, ...]]

    @property
    def views(self) -> list[View]:
        """All views, in the order of their names."""
        return sorted((view for views in self.by_type.values() for view in views), key=lambda view: view.name)


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of the resources of one type: `taken` new or newer, `older` than what is known or given twice."""

    taken: int
    older: int


def read_views(folder: Path | None = None) -> ViewSet:
    """Compile the ViewDefinitions of the mapping tables. Raises FaultyView, OSError."""
    by_type: dict[str, list[View]] = {}
    shapes: dict[str, Shape] = {}
    for path in sorted(((folder or folder_of_tables()) / "views").glob("*.json")):
        definition: dict[str, Any] = json.loads(path.read_bytes())
        shape = shapes.setdefault(definition["resource"], Shape(definition["resource"]))
        by_type.setdefault(definition["resource"], []).append(compile_view(definition, shape))
    kept = {kind: tuple({"id": None} | dict.fromkeys(shape.read)) for kind, shape in shapes.items()}
    for shape in shapes.values():
        _read_origin(shape)
    return ViewSet({kind: tuple(views) for kind, views in by_type.items()}, shapes, kept)


def _read_origin(shape: Shape) -> None:
    """Id, version and source are read of every resource."""
    shape.child("id", "id", False)
    shape.child("resourceType", "code", False)
    meta = shape.child("meta", "Meta", False)
    for name, type_ in (("versionId", "id"), ("lastUpdated", "instant"), ("source", "uri")):
        meta.child(name, type_, False)


def open_registry(path: Path | str, views: ViewSet) -> duckdb.DuckDBPyConnection:
    """Open or make the registry's file; times are shown in UTC. Raises NoRegistry."""
    try:
        connection = duckdb.connect(str(path))
    except duckdb.Error as fault:
        raise NoRegistry(f"{path}: {str(fault).splitlines()[0]}") from fault
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("SET enable_progress_bar = false")
    connection.execute(_RECEIVED)
    for view in views.views:
        empty = _empty_source(views.shapes[view.resource])
        connection.execute(f'CREATE TABLE IF NOT EXISTS "{view.name}" AS {view.sql(empty, ("site",))} LIMIT 0')
        if tuple(columns_of(connection, [view.name])[view.name]) != ("site", *view.columns):
            connection.close()
            raise NoRegistry(f"{path}: made with other columns of {view.name}; load the exports into a new file")
    return connection


def _empty_source(shape: Shape) -> str:
    columns = ", ".join(f'CAST(NULL AS {sql}) AS "{name}"' for name, sql in shape.columns().items())
    return f"(SELECT CAST(NULL AS VARCHAR) AS site, {columns})"


def merge_type(
    connection: duckdb.DuckDBPyConnection, views: ViewSet, kind: str, files: Sequence[tuple[Path, str]]
) -> Merged:
    """Take the resources of one type out of checked files; `files` are paths with the site where none is told.

    The caller holds the transaction. Where every row is a resource of its own and none of its type is known, as in a
    first load, no version competes with another: the views then read what was scanned as it is.
    """
    connection.execute(f"CREATE OR REPLACE TEMP TABLE scanned AS {scan_sql(views, kind, files)}")
    scanned, competing = _row(connection, _COMPETING, [kind])
    taken, rows = scanned, "scanned"
    if competing:
        taken, rows = _make_room(connection, views, kind), f"(SELECT scanned.* FROM scanned{_NEW_ROWS})"
    for view in views.by_type[kind]:
        connection.execute(f'INSERT INTO "{view.name}" {view.sql(rows, ("site",))}')
    connection.execute(f"INSERT INTO received SELECT site, ?, id, version, updated, source FROM {rows}", [kind])
    connection.execute("DROP TABLE scanned; DROP TABLE IF EXISTS newest")
    return Merged(taken, scanned - taken)


def _make_room(connection: duckdb.DuckDBPyConnection, views: ViewSet, kind: str) -> int:
    """Find the newest of what was scanned and take out what they replace; returns how many they are."""
    connection.execute(f"CREATE OR REPLACE TEMP TABLE newest AS {_newest_sql()}", [kind])
    for view in views.by_type[kind]:
        connection.execute(
            f'DELETE FROM "{view.name}" USING newest WHERE "{view.name}".site = newest.site'
            f' AND "{view.name}"."{view.columns[0]}" = newest.id AND newest.known'
        )
    connection.execute(
        "DELETE FROM received USING newest WHERE newest.known AND received.type = ?"
        " AND received.site = newest.site AND received.id = newest.id",
        [kind],
    )
    (taken,) = _row(connection, "SELECT count(*) FROM newest")
    return int(taken)


def scan_sql(views: ViewSet, kind: str, files: Sequence[tuple[Path, str]]) -> str:
    """One row a resource: its site, version and the elements that a view reads."""
    listed = ", ".join(quoted(str(path)) for path, _ in files)
    columns = ", ".join(f"{quoted(name)}: {quoted(sql)}" for name, sql in views.shapes[kind].columns().items())
    kept = ", ".join(f'"{name}"' for name in views.kept[kind])
    folders = ", ".join(f"{quoted(str(path))}: {quoted(site)}" for path, site in files)
    return (
        f"SELECT coalesce({_SITE}, MAP {{{folders}}}[filename]) AS site,"
        " try_cast(meta.versionId AS BIGINT) AS version, try_cast(meta.lastUpdated AS TIMESTAMPTZ) AS updated,"
        f" meta.source AS source, {kept}"
        f" FROM read_json([{listed}], format = 'newline_delimited', columns = {{{columns}}}, filename = true,"
        f" maximum_object_size = {ROW_LIMIT_BYTES}) WHERE resourceType = {quoted(kind)}"
    )


def _newest_sql() -> str:
    """The newest of each resource that came, unless what is known is newer; `known` where one is known.

    Without a version on either side the later load counts, and within a load the later line.
    """
    return (
        "SELECT first.place, first.site, first.id, old.id IS NOT NULL AS known FROM ("
        " SELECT rowid AS place, site, id, version, updated FROM scanned QUALIFY row_number() OVER ("
        "  PARTITION BY site, id ORDER BY version DESC NULLS LAST, updated DESC NULLS LAST, rowid DESC) = 1"
        ") first LEFT JOIN received old ON old.type = ? AND old.site = first.site AND old.id = first.id"
        " WHERE old.id IS NULL OR coalesce(old.version < first.version,"
        " old.updated <= first.updated, true) OR (old.version = first.version AND"
        " coalesce(old.updated <= first.updated, true))"
    )


def columns_of(connection: duckdb.DuckDBPyConnection, names: Iterable[str]) -> dict[str, dict[str, str]]:
    """Columns of tables with their types, in order."""
    found = {}
    for name in names:
        rows = connection.execute(f'DESCRIBE "{name}"').fetchall()
        found[name] = {row[0]: row[1] for row in rows}
    return found


def _row(connection: duckdb.DuckDBPyConnection, sql: str, values: Sequence[str] = ()) -> tuple[Any, ...]:
    found = connection.execute(sql, list(values)).fetchone()
    assert found is not None  # a count always has a row
    return found


def write_tables(connection: duckdb.DuckDBPyConnection, names: Iterable[str], out: Path, format_: str) -> list[Path]:
    """Write tables as files, sorted by site and key so that the same content gives the same rows. Raises KeyError."""
    out.mkdir(parents=True, exist_ok=True)
    written = []
    for name in names:
        path = out / f"{name}.{format_}"
        connection.execute(f'COPY (SELECT * FROM "{name}" ORDER BY ALL) TO {quoted(str(path))} {FORMATS[format_]}')
        written.append(path)
    return written
