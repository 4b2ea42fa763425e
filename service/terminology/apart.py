"""Mapping tables that stand apart: no resource made from readings rests on them, so they are no part of the version."""

import csv
from collections.abc import Collection, Sequence
from pathlib import Path

from service.terminology.tables import Fault, Row, TerminologyFault, folder_of_tables


def read_apart(
    name: str, columns: Sequence[str], needed: Collection[str], unique: Sequence[str], folder: Path | None = None
) -> list[Row]:
    """The rows of one table of a mappings folder, None for the one shipped; no two alike in the columns `unique`.

    Raises TerminologyFault with every fault: no such file, other columns, a needed cell that is empty, a repetition.
    """
    path = (folder or folder_of_tables()) / name
    try:
        lines = list(csv.reader(path.read_text("utf-8").splitlines(), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise TerminologyFault([Fault(name, 0, "cannot be read")]) from fault
    if not lines or tuple(lines[0]) != tuple(columns):
        raise TerminologyFault([Fault(name, 1, f"the columns must be {','.join(columns)}")])
    faults: list[Fault] = []
    rows: list[Row] = []
    for number, cells in enumerate(lines[1:], 2):
        if len(cells) != len(columns):
            faults.append(Fault(name, number, f"has {len(cells)} cells, expected {len(columns)}"))
        else:
            rows.append(Row(name, number, zip(columns, cells, strict=True)))
    seen: set[tuple[str, ...]] = set()
    for row in rows:
        faults += [row.fault(f"{column} is empty") for column in needed if not row[column].strip()]
        key = tuple(row[column] for column in unique)
        if key in seen:
            faults.append(row.fault(f"a second row of {' '.join(key)}"))
        seen.add(key)
    if faults:
        raise TerminologyFault(faults)
    return rows
