"""What every figure is made of: a table with named columns, and shares of courses counted by patients."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd  # type: ignore[import-untyped]  # no stubs among the locked packages

from service.registry.cells import Cell
from service.registry.proportions import EXACT, proportion

__all__ = ["SHARE_COLUMNS", "Row", "Table", "cell_of", "patients_of", "share_row"]

Row = dict[str, Any]
_PATIENT = ["site", "patient_key"]
SHARE_COLUMNS = {
    "events": "courses", "n": "courses", "share": "proportion", "low": "95 % Wilson", "high": "95 % Wilson",
    "exact_low": "95 % Clopper-Pearson", "exact_high": "95 % Clopper-Pearson",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of one figure; `columns` maps a column to its unit. An empty cell is withheld or does not exist."""

    key: str
    title: str
    columns: Mapping[str, str]
    rows: Sequence[Row]


def patients_of(rows: "pd.DataFrame") -> int:
    """How many patients the courses are of."""
    return len(rows) - int(rows.duplicated(_PATIENT).sum())


def cell_of(rows: "pd.DataFrame", hit: "pd.Series") -> Cell:
    """The courses that are hit, among all of the rows."""
    whose = rows[_PATIENT]  # two columns instead of all are copied
    return Cell(int(hit.sum()), len(rows), patients_of(whose[hit]), patients_of(whose[~hit]))


def share_row(cell: Cell, hidden: bool) -> Row:
    """A proportion with both intervals; of a withheld cell only the n that all cells of the table share."""
    if hidden:
        return dict.fromkeys(SHARE_COLUMNS) | {"n": cell.n}
    wilson, exact = proportion(cell.events, cell.n), proportion(cell.events, cell.n, EXACT)
    return wilson._asdict() | {"exact_low": exact.low, "exact_high": exact.high}
