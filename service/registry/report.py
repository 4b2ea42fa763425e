"""`registry report`: one HTML page that loads nothing from anywhere, and a CSV file of every figure."""

import csv
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from service import __version__
from service.clinic.caution import CAUTION
from service.registry.definitions import Definitions
from service.registry.figures import Figures, Table
from service.registry.plot import Plot
from service.registry.report_plots import plots_of

__all__ = ["render", "write_csv", "write_report"]

SIMULATED = "simulated-"


@lru_cache
def _environment() -> Environment:
    folder = resources.files(__package__).joinpath("templates")
    loader = FunctionLoader(lambda name: folder.joinpath(name).read_text("utf-8"))
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["figure"] = _figure
    return environment


def _figure(value: Any) -> str:
    """A figure in a table of the page: four digits after the point, nothing where it is withheld."""
    if value is None:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def render(figures: Figures, definitions: Definitions, made_at: datetime) -> str:
    """The page."""
    environment = _environment()
    plots = plots_of(figures, definitions.ending_labels)
    simulated = any(str(row["site"]).startswith(SIMULATED) for row in figures.sites.rows)
    return environment.get_template("report.html").render(
        figures=figures,
        plots=plots,
        drawings={key: _drawn(environment, plot) for key, plot in plots.items()},
        counts={row["what"]: row["count"] for row in figures.overview.rows},
        made_at=made_at.strftime("%Y-%m-%d %H:%M %Z"),
        version=__version__,
        caution=CAUTION,
        smallest=definitions.smallest,
        simulated=simulated,
    )


def _drawn(environment: Environment, plot: Plot) -> Markup:
    return Markup(environment.get_template("plot.svg").render(plot=plot))


def write_csv(table: Table, folder: Path) -> Path:
    """A table with the figures as they were computed; withheld cells are empty."""
    path = folder / f"{table.key}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(table.columns), extrasaction="ignore")
        writer.writeheader()
        writer.writerows(table.rows)
    return path


def write_report(figures: Figures, definitions: Definitions, folder: Path, made_at: datetime) -> Sequence[Path]:
    """Write report.html and a CSV of every figure; returns what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / "report.html"
    page.write_text(render(figures, definitions, made_at), "utf-8")
    return [page, *(write_csv(table, folder) for table in figures.tables())]
