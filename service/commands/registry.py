"""`registry ...`: courses of many sites into one file, tables and report out of it, Measures, and simulated data."""

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console
from rich.progress import Progress

from service.config import settings_from
from service.fhir.wire import write
from service.projection import open_site
from service.registry.cohort import TABLES, cohort_sql
from service.registry.definitions import Definitions, load_definitions
from service.registry.figures import TooFewPatients, figures_of
from service.registry.loading import Loaded, load_folders
from service.registry.measures import individual_reports, measures, summary_reports
from service.registry.received_files import ndjson_files, told_to
from service.registry.report import write_report
from service.registry.simulation.molds import SITE
from service.registry.simulation.writing import simulate
from service.registry.tables import NoRegistry, ViewSet, columns_of, open_registry, read_views, write_tables
from service.terminology import load

DONE, REFUSED, CALLED_WRONGLY = 0, 1, 2
COHORT = "cohort"


def load_registry(folders: Sequence[Path], into: Path, rejects: Path | None, processes: int | None) -> int:
    """Merge NDJSON into the file; 1 when lines were refused, which stand in the file of rejects."""
    views = read_views(settings_from().mappings)
    if (connection := _open(into, views)) is None:
        return CALLED_WRONGLY
    try:
        with _progress(sum(len(ndjson_files(folder)) for folder in folders)) as checked_one:
            loaded = load_folders(connection, views, folders, processes or os.cpu_count() or 1, checked_one)
    except OSError as fault:
        print(f"closure-readings: {fault}", file=sys.stderr)
        return CALLED_WRONGLY
    finally:
        connection.close()
    if loaded.rejects:
        place = rejects or into.with_suffix(".rejects.ndjson")
        with place.open("wb") as file:
            told_to(file.write, loaded.rejects)
        print(f"{len(loaded.rejects)} lines refused, see {place}")
    _tell(loaded)
    return REFUSED if loaded.rejects else DONE


@contextmanager
def _progress(files: int) -> Iterator[Callable[[], None]]:
    """How far the check is, for somebody who watches: a million lines take minutes."""
    console = Console(stderr=True)
    with Progress(*Progress.get_default_columns(), console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("Files checked", total=files)
        yield lambda: bar.advance(task)


def _tell(loaded: Loaded) -> None:
    print(f"{loaded.files} files, {loaded.sound.total()} sound resources")
    for kind, merged in sorted(loaded.merged.items()):
        print(f"{kind}: {merged.taken} taken, {merged.older} older or given twice")
    if unread := loaded.unread():
        print(f"read by no view: {', '.join(unread)}")


def write_registry_tables(registry: Path, out: Path, format_: str) -> int:
    """Write every table and the cohort, a row a course, as Parquet or CSV."""
    if (connection := _opened(registry)) is None:
        return CALLED_WRONGLY
    definitions = _definitions()
    connection.execute(f"CREATE TEMP TABLE {COHORT} AS {cohort_sql(columns_of(connection, TABLES), definitions)}")
    for path in write_tables(connection, (*TABLES, COHORT), out, format_):
        print(path)
    connection.close()
    return DONE


def write_registry_report(registry: Path, out: Path, made_at: datetime) -> int:
    """Write report.html and a CSV of every figure; 1 when there are too few patients to show anything."""
    if (connection := _opened(registry)) is None:
        return CALLED_WRONGLY
    definitions = _definitions()
    try:
        figures = figures_of(_cohort(connection, definitions), definitions)
    except TooFewPatients as fault:
        print(f"closure-readings: {fault}", file=sys.stderr)
        return REFUSED
    finally:
        connection.close()
    for path in write_report(figures, definitions, out, made_at):
        print(path)
    return DONE


def write_registry_measures(registry: Path, out: Path, individual: bool, made_at: datetime) -> int:
    """Write Measure.ndjson and MeasureReport.ndjson; individual reports only when asked for."""
    if (connection := _opened(registry)) is None:
        return CALLED_WRONGLY
    terms, definitions = load(settings_from().mappings), _definitions()
    cohort = _cohort(connection, definitions)
    connection.close()
    out.mkdir(parents=True, exist_ok=True)
    _write_lines(out / "Measure.ndjson", measures(definitions, terms))
    _write_lines(out / "MeasureReport.ndjson", summary_reports(cohort, definitions, terms, made_at))
    if individual:
        reports = individual_reports(cohort, definitions, terms, made_at)
        _write_lines(out / "MeasureReport-individual.ndjson", reports)
    return DONE


def simulate_registry(sites: int, courses: int, out: Path, seed: int) -> int:
    """Write simulated courses, a folder a site."""
    settings = settings_from()
    written = simulate(open_site(replace(settings, site=SITE, us_core="")), out, sites, courses, seed)
    for kind, count in written.items():
        print(f"{kind}: {count}")
    return DONE


def _opened(registry: Path) -> duckdb.DuckDBPyConnection | None:
    if not registry.is_file():
        print(f"closure-readings: there is no registry file {registry}", file=sys.stderr)
        return None
    return _open(registry, read_views(settings_from().mappings))


def _open(registry: Path, views: ViewSet) -> duckdb.DuckDBPyConnection | None:
    try:
        return open_registry(registry, views)
    except NoRegistry as fault:
        print(f"closure-readings: {fault}", file=sys.stderr)
        return None


def _definitions() -> Definitions:
    folder = settings_from().mappings
    return load_definitions(load(folder), folder)


def _cohort(connection: duckdb.DuckDBPyConnection, definitions: Definitions) -> Any:
    return connection.execute(cohort_sql(columns_of(connection, TABLES), definitions)).df()


def _write_lines(path: Path, resources: Iterable[dict[str, Any]]) -> None:
    with path.open("wb") as file:
        file.writelines(write(resource) + b"\n" for resource in resources)
    print(path)
