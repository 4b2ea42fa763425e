"""`closure-readings registry ...`: add to the command line with `app.add_typer(registry_app, name="registry")`."""

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

registry_app = typer.Typer(
    help="Courses of many sites: load, tables, report, measures, simulate.", no_args_is_help=True
)
Registry = Annotated[Path, typer.Argument(metavar="FILE.duckdb", help="The registry's file, as `load` made it.")]
Out = Annotated[Path, typer.Option(metavar="DIR", help="Folder to write into; made where it is missing.")]


class TableFormat(StrEnum):
    """How tables are written."""

    PARQUET = "parquet"
    CSV = "csv"


@registry_app.command()
def load(
    folders: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Folders of NDJSON, plain or gzipped.")],
    into: Annotated[Path, typer.Option(metavar="FILE.duckdb", help="The registry's file; made where it is missing.")],
    rejects: Annotated[
        Path | None, typer.Option(help="Where refused lines are told; FILE.rejects.ndjson else.")
    ] = None,
    processes: Annotated[int | None, typer.Option(min=1, help="Processes that check lines; all cores else.")] = None,
) -> None:
    """Check exports of any site and merge them: the newest version of a resource counts."""
    from service.commands.registry import load_registry

    raise typer.Exit(load_registry(folders, into, rejects, processes))


@registry_app.command()
def tables(registry: Registry, out: Out, format: Annotated[TableFormat, typer.Option()] = TableFormat.PARQUET) -> None:
    """Write the tables of the views, and the cohort with one row a course."""
    from service.commands.registry import write_registry_tables

    raise typer.Exit(write_registry_tables(registry, out, format))


@registry_app.command()
def report(registry: Registry, out: Out) -> None:
    """Write the report: one HTML page, and a CSV file of every figure."""
    from service.commands.registry import write_registry_report

    raise typer.Exit(write_registry_report(registry, out, datetime.now(UTC)))


@registry_app.command()
def measures(
    registry: Registry,
    out: Out,
    individual: Annotated[bool, typer.Option("--individual", help="Also a report of each patient.")] = False,
) -> None:
    """Write the figures as FHIR Measures and MeasureReports."""
    from service.commands.registry import write_registry_measures

    raise typer.Exit(write_registry_measures(registry, out, individual, datetime.now(UTC)))


@registry_app.command()
def simulate(
    out: Out,
    sites: Annotated[int, typer.Option(min=1, max=4095)] = 10,
    courses: Annotated[int, typer.Option(min=1, help="Of all sites together.")] = 1000,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same bytes.")] = 1,
) -> None:
    """Write made-up courses as NDJSON, a folder a site: for trying out, never for conclusions."""
    from service.commands.registry import simulate_registry

    raise typer.Exit(simulate_registry(sites, courses, out, seed))
