"""Figures of each site, and the limits within which chance alone would leave a site."""

import numpy as np
import pandas as pd  # type: ignore[import-untyped]  # no stubs among the locked packages

from service.registry import funnel
from service.registry.cells import Cell, withheld
from service.registry.definitions import Definitions
from service.registry.figure_tables import SHARE_COLUMNS, Row, Table, cell_of, patients_of, share_row
from service.registry.proportions import difference, rate

__all__ = ["funnel_table", "sites_table"]

_FUNNEL_LINES = 60
_SITE_COLUMNS = {
    "site": "", **{name: unit for name, unit in SHARE_COLUMNS.items() if not name.startswith("exact")},
    "outside_95": "of the funnel", "outside_998": "of the funnel", "difference": "from all other sites",
    "difference_low": "95 % Newcombe", "difference_high": "95 % Newcombe",
    "resets": "", "days": "course days", "resets_per_day": "per course day", "resets_low": "95 % exact",
    "resets_high": "95 % exact", "in_range_median": "share of time", "in_range_q1": "", "in_range_q3": "",
    "complicated_share": "proportion of started courses",
}  # fmt: skip


def sites_table(cohort: "pd.DataFrame", started: "pd.DataFrame", definitions: Definitions) -> Table:
    """One row a site; figures of too few patients are withheld."""
    ended = cohort[cohort.ended]
    names = sorted(cohort.site.unique())
    by_site = dict(tuple(ended.groupby("site")))
    started_by_site = dict(tuple(started.groupby("site")))
    cells = [_site_cell(by_site.get(name)) for name in names]
    hidden = withheld(cells, definitions.smallest, adds_up=True)
    closed, n = sum(cell.events for cell in cells), sum(cell.n for cell in cells)
    rows = []
    for name, cell, hide in zip(names, cells, hidden, strict=True):
        row: Row = dict.fromkeys(_SITE_COLUMNS) | {"site": name}
        if not hide:
            row |= {key: value for key, value in share_row(cell, False).items() if not key.startswith("exact")}
            row |= _against_rest(cell, closed, n)
        of_site = started_by_site.get(name)
        if of_site is not None and patients_of(of_site) >= definitions.smallest:
            row |= _practice(of_site, definitions)
        rows.append(row)
    return Table("sites", "Sites beside one another", _SITE_COLUMNS, rows)


def _site_cell(rows: "pd.DataFrame | None") -> Cell:
    return Cell(0, 0, 0, 0) if rows is None else cell_of(rows, rows.closed)


def _against_rest(cell: Cell, closed: int, n: int) -> Row:
    """Where the site lies in the funnel, and how far it is from all others together."""
    row: Row = {}
    if cell.n and 0 < closed < n:
        target = closed / n
        row["outside_95"] = funnel.outside(cell.events, cell.n, target, funnel.WARN)
        row["outside_998"] = funnel.outside(cell.events, cell.n, target, funnel.ALARM)
    if (found := difference(cell.events, cell.n, closed - cell.events, n - cell.n)) is not None:
        row |= dict(zip(("difference", "difference_low", "difference_high"), found, strict=True))
    return row


def _practice(started: "pd.DataFrame", definitions: Definitions) -> Row:
    """Resets a day, time in range and complications of one site."""
    timed = started[started.days.notna()]
    found = rate(int(timed.resets.sum()), float(timed.days.sum()))
    shares = started.in_range_share.dropna()
    row: Row = {
        "resets": found.events, "days": round(found.exposure, 3), "resets_per_day": found.rate,
        "resets_low": found.low, "resets_high": found.high,
    }  # fmt: skip
    if len(shares) >= definitions.smallest:
        quartiles = map(float, np.quantile(shares, (0.25, 0.5, 0.75)))
        row |= dict(zip(("in_range_q1", "in_range_median", "in_range_q3"), quartiles, strict=True))
    complicated = cell_of(started, started.complicated)
    if not complicated.small(definitions.smallest):
        row["complicated_share"] = complicated.events / complicated.n
    return row


def funnel_table(cohort: "pd.DataFrame") -> Table:
    """Limits around the share of all sites, for sizes up to the largest site."""
    columns = {"n": "courses", "target": "proportion", "low_95": "", "high_95": "", "low_998": "", "high_998": ""}
    ended = cohort[cohort.ended]
    closed = int(ended.closed.sum())
    rows: list[Row] = []
    if 0 < closed < len(ended):
        target = closed / len(ended)
        largest = int(ended.groupby("site").size().max())
        for n in sorted({int(size) for size in np.geomspace(5, max(6, largest * 1.1), _FUNNEL_LINES)}):
            warn, alarm = funnel.limits(target, n, funnel.WARN), funnel.limits(target, n, funnel.ALARM)
            rows.append(
                {"n": n, "target": target, "low_95": warn.low, "high_95": warn.high, "low_998": alarm.low,
                 "high_998": alarm.high}
            )  # fmt: skip
    return Table("funnel_lines", "Limits of the funnel", columns, rows)
