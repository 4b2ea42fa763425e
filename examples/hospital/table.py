"""Resources as one table: a row a resource, a column a path."""

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any


def written(resources: Iterable[dict[str, Any]], table: Path) -> str:
    """Write a CSV file; says how large it is."""
    rows = [dict(flat(resource)) for resource in resources]
    columns = sorted({name for row in rows for name in row})
    with table.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    return f"{len(rows)} rows, {len(columns)} columns"


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Path and value of every leaf: code.coding.0.code."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in parts:
        yield from flat(inner, f"{path}.{name}" if path else str(name))
    if not isinstance(value, dict | list):
        yield path, value
