"""Small cells: people who share sex and year of birth with few others of the same release are shown with less.

A cell is a pair of published sex and published year of birth. In a cell of fewer than five (the usual limit of
registries: common practice, no source) the year goes; where those who lost it are too few of one sex, the sex goes too.
Cells are counted over the whole population of the release, not over the part that a later export adds.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Any

LEAST = 5
Cell = tuple[str, str]  # sex or "", year of birth, "old" or ""


class Cells:
    """How many people share a cell."""

    def __init__(self, people: Iterable[Cell], least: int = LEAST) -> None:
        """Count them; `least`: members of a cell that is shown as it is."""
        self._counts = Counter(people)
        self._least = least
        small = {cell: count for cell, count in self._counts.items() if count < least}
        # Who has no year joins those who lose it: they look alike.
        self._yearless: Counter[str] = Counter()
        for (sex, year), count in self._counts.items():
            if not year or (sex, year) in small:
                self._yearless[sex] += count

    def shown(self, cell: Cell) -> Cell:
        """What of a cell may be shown."""
        sex, year = cell
        if year and self._counts[cell] >= self._least:
            return cell
        return (sex if self._yearless[sex] >= self._least else "", "")


def cell_of(patient: dict[str, Any], old: bool) -> Cell:
    """The cell of a Patient as it would be published."""
    return patient.get("gender", ""), "old" if old else patient.get("birthDate", "")
