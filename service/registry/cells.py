"""Small cells: what would speak of fewer patients than the registry shows is withheld, also where it could be inferred.

A count is withheld when it or its complement stands for one to four patients (the limit is in mappings/measures.toml).
Where counts add up to a total that is shown, one withheld cell could be had by subtraction; the smallest other one goes
too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Cell", "withheld"]


@dataclass(frozen=True, slots=True)
class Cell:
    """A count of courses among others, with the patients behind both."""

    events: int
    n: int
    patients: int
    patients_without: int

    def small(self, smallest: int) -> bool:
        """Whether the count, or its complement, stands for too few patients."""
        return 0 < self.patients < smallest or 0 < self.patients_without < smallest or 0 < self.n < smallest


def withheld(cells: Sequence[Cell], smallest: int, adds_up: bool) -> list[bool]:
    """Which of the cells are withheld; `adds_up` when their sum is shown elsewhere."""
    hidden = [cell.small(smallest) for cell in cells]
    if adds_up and sum(hidden) == 1:
        open_cells = [(cell.patients, at) for at, cell in enumerate(cells) if not hidden[at] and cell.events > 0]
        if open_cells:
            hidden[min(open_cells)[1]] = True
    return hidden
