"""What a process counts of its own work. Any layer counts here; GET /metrics shows it. Numbers only, of no patient.

A count belongs to the process and begins at zero with it: what was counted is summed over time by whoever reads it.
"""

import threading
from collections import Counter
from typing import Literal

Name = Literal["entries_recorded", "resets_marked_overdue", "database_errors", "refusals"]
# Each with its label, empty for none, and what it says.
NAMES: dict[Name, tuple[str, str]] = {
    "entries_recorded": ("", "Entries stored, amendments and retractions among them"),
    "resets_marked_overdue": ("", "Resets that became overdue without charting"),
    "database_errors": ("kind", "Errors of the database, by the store's name for them"),
    "refusals": ("reason", "Requests and connections that were not served"),
}

_counts: Counter[tuple[Name, str]] = Counter()
_lock = threading.Lock()


def count(name: Name, label: str = "", amount: int = 1) -> None:
    """Add to a count; `label` is a word of the program's, never of a request."""
    with _lock:
        _counts[name, label] += amount


def counted(name: Name) -> dict[str, int]:
    """The counts of a name by label."""
    with _lock:
        return {label: number for (found, label), number in _counts.items() if found == name}
