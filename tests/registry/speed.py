"""How long a report takes beside DuckDB's own read of the same files: `python -m tests.registry.speed [COURSES]`.

Ratios within one run only; 14,000 courses are about a million resources.
"""

import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from service.config import Settings
from service.projection import open_site
from service.registry.cohort import TABLES, cohort_sql
from service.registry.definitions import load_definitions
from service.registry.figures import figures_of
from service.registry.report import write_report
from service.registry.simulation.molds import SITE
from service.registry.simulation.writing import simulate
from service.registry.tables import columns_of, merge_type, open_registry, read_views
from service.registry.views.translate import quoted
from service.terminology import load


def measured(courses, folder, sites=100):
    """Seconds for the read, the tables, the cohort and the report, and the number of resources."""
    exports = folder / "exports"
    written = simulate(open_site(replace(Settings(), site=SITE)), exports, sites, courses, 1)
    views = read_views()
    files = {
        kind: [(path, path.parent.name) for path in sorted(exports.rglob(f"{kind}.ndjson"))] for kind in views.by_type
    }
    found = {
        "resources": sum(written.values()),
        "bytes": sum(path.stat().st_size for path in exports.rglob("*.ndjson")),
    }
    found["read"] = min(_read(views, files) for _ in range(2))
    with open_registry(folder / "speed.duckdb", views) as connection:
        began = time.perf_counter()
        connection.begin()
        for kind, listed in files.items():
            merge_type(connection, views, kind, listed)
        connection.commit()
        found["tables"] = time.perf_counter() - began
        began = time.perf_counter()
        definitions = load_definitions(load(None))
        cohort = connection.execute(cohort_sql(columns_of(connection, TABLES), definitions)).df()
        found["cohort"] = time.perf_counter() - began
    began = time.perf_counter()
    write_report(figures_of(cohort, definitions), definitions, folder / "report", datetime(2026, 1, 1, tzinfo=UTC))
    found["report"] = time.perf_counter() - began
    found["ratio"] = (found["tables"] + found["cohort"] + found["report"]) / found["read"]
    return found


def _read(views, files):
    """DuckDB reads every file with the same explicit columns and counts what it found."""
    began = time.perf_counter()
    with duckdb.connect() as connection:
        for kind, listed in files.items():
            columns = ", ".join(f"{quoted(name)}: {quoted(sql)}" for name, sql in views.shapes[kind].columns().items())
            names = ", ".join(quoted(str(path)) for path, _ in listed)
            source = f"read_json([{names}], format = 'newline_delimited', columns = {{{columns}}})"
            connection.execute(f"SELECT count(COLUMNS(*)) FROM {source}").fetchall()
    return time.perf_counter() - began


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        for name, value in measured(int(sys.argv[1]) if len(sys.argv) > 1 else 14_000, Path(scratch)).items():
            print(f"{name}: {value:.2f}" if isinstance(value, float) else f"{name}: {value}")
