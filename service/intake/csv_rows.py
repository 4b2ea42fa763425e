"""Rows of a CSV file, read strictly: a header of known columns, commas, UTF-8, quoting that leaves no doubt."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path


class CsvUnreadable(ValueError):
    """The pair as a whole cannot be read (header, quoting); holds every fault with file, row and column."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(faults))


@dataclass(frozen=True, slots=True)
class Row:
    """A row as it stands: its number (the header is row 1), its cells by column, and the cells in order."""

    file: str
    number: int
    cells: Mapping[str, str]
    as_sent: tuple[str, ...]
    width: int  # columns of the header

    def place(self, column: str) -> str:
        """File, row and column in words."""
        return f"{self.file} row {self.number}, column {column}"


def read_rows(path: Path, columns: Iterable[str], required: Iterable[str]) -> Iterator[Row]:
    """The rows of a CSV file; raises `CsvUnreadable` for its header and for quoting that leaves the cells unclear."""
    with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as text:
        reader = csv.reader(text, strict=True)
        try:
            header = next(reader, [])
            faults = _header_faults(path.name, header, set(columns), required)
            if faults:
                raise CsvUnreadable(faults)
            for number, cells in enumerate(reader, 2):
                if cells:
                    padded = [*cells, *[""] * (len(header) - len(cells))]
                    named = dict(zip(header, (cell.replace("\r\n", "\n") for cell in padded), strict=False))
                    yield Row(path.name, number, named, tuple(cells), len(header))
        except csv.Error as fault:
            raise CsvUnreadable([f"{path.name} line {reader.line_num}: {fault}"]) from fault


def _header_faults(file: str, header: Sequence[str], columns: set[str], required: Iterable[str]) -> list[str]:
    if len(header) == 1 and ";" in header[0]:
        return [f"{file} row 1: columns are separated by semicolons; save it with commas"]
    faults = [f"{file} row 1, column {name}: is not a column of this file" for name in header if name not in columns]
    faults += [f"{file} row 1, column {name}: stands twice" for name in columns if header.count(name) > 1]
    return faults + [f"{file} row 1, column {name}: is missing" for name in required if name not in header]


def header_of(path: Path) -> list[str]:
    """The names in the first row; none when there is none that can be read."""
    with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as text:
        try:
            return next(csv.reader(text, strict=True), [])
        except csv.Error:
            return []
