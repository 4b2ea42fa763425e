"""Reads the tables of tests/clinic/check_data; the source of each stands in its first lines."""

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "check_data"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of one table, without its source lines."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def column(table: list[dict[str, str]], name: str) -> list[float]:
    """One column as floats."""
    return [float(row[name]) for row in table]
