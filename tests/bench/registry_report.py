"""Goal 8: a report over exports of many sites, beside DuckDB's own read of the same files.

The report is everything from the files to the page: tables, cohort, figures. The check of every line, which a load does
before, is a figure of its own (docs/registry.md). 14,000 courses are about a million resources.
"""

import statistics
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from service.config import Settings
from service.projection import open_site
from service.registry.cohort import TABLES, cohort_sql
from service.registry.definitions import load_definitions
from service.registry.figures import figures_of
from service.registry.loading import load_folders
from service.registry.report import write_report
from service.registry.simulation.molds import SITE
from service.registry.simulation.writing import simulate
from service.registry.tables import ViewSet, columns_of, merge_type, open_registry, read_views
from service.registry.views.translate import quoted
from service.terminology import load
from tests.bench.goals import Measure, reached
from tests.bench.timing import once_s

Files = Mapping[str, Sequence[tuple[Path, str]]]  # of each resource type: files with the site that sent them
_AT = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Sizes:
    """Sites and courses that are simulated, rounds of read and report in turns, sites whose load is measured."""

    sites: int
    courses: int
    rounds: int
    loaded_sites: int


@dataclass(frozen=True)
class Report:
    """Seconds of the three steps."""

    tables: float
    cohort: float
    page: float

    @property
    def in_all(self) -> float:
        """From the files to the page."""
        return self.tables + self.cohort + self.page


def measures(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    """Simulated exports, seeded; the read and the report in turns."""
    exports = folder / "exports"
    written = simulate(open_site(replace(Settings(), site=SITE)), exports, sizes.sites, sizes.courses, 1)
    views = read_views()
    files = {kind: [(path, path.parent.name) for path in sorted(exports.rglob(f"{kind}.ndjson"))] for kind in written}
    files = {kind: files[kind] for kind in views.by_type if files.get(kind)}
    reads, reports = [], []
    for number in range(sizes.rounds):
        reads.append(once_s(lambda: _read(views, files)))
        reports.append(_report(views, files, folder / f"report-{number}"))
    read = statistics.median(reads)
    middle = sorted(reports, key=lambda each: each.in_all)[len(reports) // 2]
    yield reached(
        "8",
        middle.in_all / read,
        resources=sum(written.values()),
        megabytes=round(sum(path.stat().st_size for path in exports.rglob("*.ndjson")) / 1e6),
        read_s=round(read, 2),
        tables_s=round(middle.tables, 2),
        cohort_s=round(middle.cohort, 2),
        page_s=round(middle.page, 2),
        report_from_tables_x=round((middle.cohort + middle.page) / read, 2),
    )
    yield _loaded(views, folder, sorted(exports.iterdir())[: sizes.loaded_sites])


def _read(views: ViewSet, files: Files) -> None:
    """DuckDB reads every file with the same explicit columns and counts what it found."""
    with duckdb.connect() as connection:
        for kind, listed in files.items():
            columns = ", ".join(f"{quoted(name)}: {quoted(sql)}" for name, sql in views.shapes[kind].columns().items())
            names = ", ".join(quoted(str(path)) for path, _ in listed)
            source = f"read_json([{names}], format = 'newline_delimited', columns = {{{columns}}})"
            connection.execute(f"SELECT count(COLUMNS(*)) FROM {source}").fetchall()


def _report(views: ViewSet, files: Files, folder: Path) -> Report:
    folder.mkdir()
    definitions = load_definitions(load(None))
    started = time.perf_counter()
    with closing(open_registry(folder / "registry.duckdb", views)) as connection:
        connection.begin()
        for kind, listed in files.items():
            merge_type(connection, views, kind, listed)
        connection.commit()
        tables = time.perf_counter()
        cohort = connection.execute(cohort_sql(columns_of(connection, TABLES), definitions)).df()
        found = time.perf_counter()
    write_report(figures_of(cohort, definitions), definitions, folder, _AT)
    return Report(tables - started, found - tables, time.perf_counter() - found)


def _loaded(views: ViewSet, folder: Path, sites: Sequence[Path]) -> Measure:
    """`registry load` of some sites: every line checked, then the tables."""
    with closing(open_registry(folder / "loaded.duckdb", views)) as connection:
        started = time.perf_counter()
        loaded = load_folders(connection, views, sites, processes=2)
        taken = time.perf_counter() - started
    lines = sum(loaded.sound.values())
    assert not loaded.rejects, "simulated resources are sound"
    return Measure("registry load, two processes: a resource", taken / lines * 1e6, "us", detail={"resources": lines})
