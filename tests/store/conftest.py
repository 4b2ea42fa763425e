"""A migrated store in a folder of its own, on SQLite and, where the engine can be had, on PostgreSQL."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store import Store, open_store


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """A migrated store."""
    opened = open_store(database_url)
    opened.migrate()
    yield opened
    opened.close()


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    """A migrated store on SQLite, for what is about SQLite."""
    opened = open_store(f"sqlite:///{tmp_path / 'readings.sqlite3'}")
    opened.migrate()
    yield opened
    opened.close()
