"""Which Patient each resource of a set of files belongs to, so that a Provenance is found by what it speaks of."""

import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.deidentify.whose import patient_of

_AT_ONCE = 5000


class Owners:
    """Which Patient each resource of a set belongs to, on disk, so that the set may be larger than memory."""

    def __init__(self, file: Path) -> None:
        self._connection = sqlite3.connect(file, isolation_level=None)
        self._connection.executescript(
            "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF;"
            "CREATE TABLE owners (resource TEXT PRIMARY KEY, patient TEXT NOT NULL) WITHOUT ROWID; BEGIN"
        )
        self._waiting: list[tuple[str, str]] = []

    def add(self, resource: Mapping[str, Any]) -> None:
        """Note whose a resource is, if it says so itself."""
        patient = patient_of(resource)
        if patient is not None:
            self._waiting.append((f"{resource['resourceType']}/{resource['id']}", patient))
        if len(self._waiting) >= _AT_ONCE:
            self.ready()

    def ready(self) -> None:
        """Called when all were added."""
        self._connection.executemany("INSERT OR REPLACE INTO owners VALUES (?, ?)", self._waiting)
        self._waiting.clear()

    def of_targets(self, provenance: Mapping[str, Any]) -> str | None:
        """The Patient of the first target that is known."""
        for target in provenance.get("target", ()):
            reference = str(target.get("reference", "")) if isinstance(target, dict) else ""
            key = "/".join(reference.split("/")[:2])
            row = self._connection.execute("SELECT patient FROM owners WHERE resource = ?", (key,)).fetchone()
            if row is not None:
                return str(row[0])
        return None

    def close(self) -> None:
        """Forget everything."""
        self._connection.close()
