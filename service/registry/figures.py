"""The figures of the report as tables: what stands in the CSV and in the plots is computed here once."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd  # type: ignore[import-untyped]  # no stubs among the locked packages

from service.registry.cells import withheld
from service.registry.cohort import OPEN, column_of
from service.registry.definitions import Definitions
from service.registry.figure_tables import SHARE_COLUMNS, Row, Table, cell_of, patients_of, share_row
from service.registry.site_figures import funnel_table, sites_table
from service.registry.time_to_event import (
    Incidence,
    Survival,
    cumulative_incidence,
    loglog_limits,
    quantile_limits,
    survival,
)

__all__ = ["HORIZON_DAYS", "Figures", "Table", "TooFewPatients", "figures_of"]

HORIZON_DAYS = 30
_BINS = 10


@dataclass(frozen=True, slots=True)
class Figures:
    """Every table of the report."""

    overview: Table
    endings: Table
    incidence: Table
    time_open: Table
    complications: Table
    sites: Table
    funnel_lines: Table
    working_range: Table

    def tables(self) -> list[Table]:
        """All of them, in the order of the report."""
        return [
            self.overview, self.endings, self.incidence, self.time_open, self.complications, self.sites,
            self.funnel_lines, self.working_range,
        ]  # fmt: skip


class TooFewPatients(ValueError):
    """The whole registry has fewer patients than the smallest cell that is shown."""


def figures_of(cohort: "pd.DataFrame", definitions: Definitions) -> Figures:
    """All figures of a cohort. Times leave out courses whose dates do not allow them; the overview says how many.

    Raises TooFewPatients.
    """
    for rows, what in ((cohort, "patients"), (cohort[cohort.ended], "patients whose course has ended")):
        if patients_of(rows) < definitions.smallest:
            raise TooFewPatients(f"fewer than {definitions.smallest} {what}: no figure is shown")
    started = cohort[cohort.started]
    timed = started[started.days.notna()]
    endings = _endings(cohort, definitions)
    return Figures(
        overview=_overview(cohort, started, timed),
        endings=endings,
        incidence=_incidence(timed, _causes(definitions), _withheld(endings), definitions),
        time_open=_time_open(timed, definitions),
        complications=_complications(started, definitions),
        sites=sites_table(cohort, started, definitions),
        funnel_lines=funnel_table(cohort),
        working_range=_working_range(started, definitions),
    )


def _causes(definitions: Definitions) -> list[str]:
    """The endings in the order of the file: the first is the event of interest."""
    return list(dict.fromkeys(definitions.endings.values()))


def _overview(cohort: "pd.DataFrame", started: "pd.DataFrame", timed: "pd.DataFrame") -> Table:
    counted = [
        ("Sites", cohort.site.nunique()),
        ("Patients", patients_of(cohort)),
        ("Courses", len(cohort)),
        ("Courses with bands applied", len(started)),
        ("Courses ended", int(cohort.ended.sum())),
        ("Courses still open", int((cohort.ending == OPEN).sum())),
        ("Left out of times: dates missing or too coarse", len(started) - len(timed)),
        ("Versions of the mapping tables in use", cohort.tables_version.nunique()),
    ]
    return Table(
        "overview", "What was counted", {"what": "", "count": ""}, [{"what": w, "count": c} for w, c in counted]
    )


def _endings(cohort: "pd.DataFrame", definitions: Definitions) -> Table:
    """How ended courses ended."""
    ended = cohort[cohort.ended]
    keys = [key for key in definitions.ending_labels if key != OPEN]
    cells = [cell_of(ended, ended.ending == key) for key in keys]
    hidden = withheld(cells, definitions.smallest, adds_up=True)
    rows = [
        {"ending": key, "label": definitions.ending_labels[key], **share_row(cell, hide)}
        for key, cell, hide in zip(keys, cells, hidden, strict=True)
    ]
    return Table("endings", "How courses ended", {"ending": "", "label": "", **SHARE_COLUMNS}, rows)


def _complications(started: "pd.DataFrame", definitions: Definitions) -> Table:
    listed = [(one.key, one.label, column_of(one.key)) for one in definitions.complications]
    listed.append(("any", "Any of these", "complicated"))
    cells = [cell_of(started, started[column].astype(bool)) for _, _, column in listed]
    hidden = withheld(cells, definitions.smallest, adds_up=False)
    rows = [
        {"complication": key, "label": label, **share_row(cell, hide)}
        for (key, label, _), cell, hide in zip(listed, cells, hidden, strict=True)
    ]
    return Table("complications", "Complications", {"complication": "", "label": "", **SHARE_COLUMNS}, rows)


def _at_risk(days: "np.ndarray[Any, Any]", smallest: int) -> Callable[[int], int | None]:
    """How many courses were still followed at a day; withheld when fewer than the smallest cell."""
    ordered = np.sort(days)

    def counted(day: int) -> int | None:
        left = len(ordered) - int(np.searchsorted(ordered, day, side="left"))
        return left if left >= smallest else None

    return counted


def _withheld(endings: Table) -> set[str]:
    """Endings whose number is withheld: a curve would tell it all the same."""
    return {row["ending"] for row in endings.rows if row["share"] is None}


def _incidence(timed: "pd.DataFrame", causes: Sequence[str], hidden: set[str], definitions: Definitions) -> Table:
    """Cumulative incidence of each ending by day, while enough courses are followed."""
    columns = {"day": "days since the first application", "at_risk": "courses"}
    for cause in causes:
        columns |= {f"{cause}": "proportion", f"{cause}_low": "95 %", f"{cause}_high": "95 %"}
    rows: list[Row] = []
    if patients_of(timed) >= definitions.smallest:
        codes = timed.ending.map({cause: at for at, cause in enumerate(causes, start=1)}).fillna(0).to_numpy(int)
        days = timed.days.to_numpy(float)
        found = cumulative_incidence(days, codes)
        at_risk = _at_risk(days, definitions.smallest)
        shown = [day for day in range(HORIZON_DAYS + 1) if at_risk(day) is not None]
        rows = [{"day": day, "at_risk": at_risk(day), **_causes_at(found, causes, hidden, day)} for day in shown]
    return Table("incidence", "How courses end over time", columns, rows)


def _causes_at(found: Incidence, causes: Sequence[str], hidden: set[str], day: int) -> Row:
    row: Row = {}
    for at, cause in enumerate(causes, start=1):
        share: float | None
        if cause in hidden:
            share, low, high = None, None, None
        elif at > len(found.shares):
            share, low, high = 0.0, None, None
        else:
            shares, errors = found.at([day], at)
            share, (low, high) = float(shares[0]), _incidence_limits(shares, errors)
        row |= {cause: share, f"{cause}_low": low, f"{cause}_high": high}
    return row


def _incidence_limits(share: Any, error: Any) -> tuple[float | None, float | None]:
    """Limits on the log(-log) scale; none where nothing has happened yet."""
    if not 0 < share[0] < 1:
        return None, None
    low, high = loglog_limits(share, error)
    return float(low[0]), float(high[0])


def _time_open(timed: "pd.DataFrame", definitions: Definitions) -> Table:
    """Kaplan-Meier of the time to primary closure, other endings censored, with the median."""
    columns = {
        "day": "days since the first application", "at_risk": "courses",
        "not_closed": "proportion, other endings censored", "low": "95 %", "high": "95 %",
        "median_days": "days", "median_low": "95 %", "median_high": "95 %",
    }  # fmt: skip
    rows: list[Row] = []
    if patients_of(timed) >= definitions.smallest and timed.closed.any():
        days, happened = timed.days.to_numpy(float), timed.closed.to_numpy(int)
        curve, at_risk = survival(days, happened), _at_risk(days, definitions.smallest)
        shown = [day for day in range(HORIZON_DAYS + 1) if at_risk(day) is not None]
        rows = [{"day": day, "at_risk": at_risk(day), **_curve_at(curve, day)} for day in shown]
        low, high = quantile_limits(days, happened, 0.5)
        rows[0] |= {"median_days": curve.quantile(0.5), "median_low": _finite(low), "median_high": _finite(high)}
    return Table("time_open", "Time to primary closure", columns, rows)


def _curve_at(curve: Survival, day: int) -> Row:
    place = int(np.searchsorted(curve.times, day, side="right")) - 1
    if place < 0:
        return {"not_closed": 1.0, "low": None, "high": None}
    low, high = _finite(float(curve.low[place])), _finite(float(curve.high[place]))
    return {"not_closed": float(curve.share[place]), "low": low, "high": high}


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _working_range(started: "pd.DataFrame", definitions: Definitions) -> Table:
    """How many courses spent which share of their time with bands in the working range."""
    shares = started[started.in_range_share.notna()]
    places = np.minimum((shares.in_range_share.to_numpy(float) * _BINS).astype(int), _BINS - 1)
    cells = [cell_of(shares, pd.Series(places == at, index=shares.index)) for at in range(_BINS)]
    hidden = withheld(cells, definitions.smallest, adds_up=True)
    rows = [
        {"from": at / _BINS, "to": (at + 1) / _BINS, "courses": None if hide else cell.events}
        for at, (cell, hide) in enumerate(zip(cells, hidden, strict=True))
    ]
    return Table("working_range", "Time in the working range", {"from": "share of time", "to": "", "courses": ""}, rows)
