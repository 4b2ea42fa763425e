"""A service with exports on SQLite, loaded once and copied for each test; on both engines where a test asks for it."""

import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bulk.side import Side, open_side


@pytest.fixture(scope="session")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with the courses of three examples."""
    folder = tmp_path_factory.mktemp("loaded")
    side = open_side(folder, f"sqlite:///{folder / 'a.sqlite3'}")
    side.load("02", "05", "10")
    side.close()
    with sqlite3.connect(folder / "a.sqlite3") as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder / "a.sqlite3"


@pytest.fixture
def side(loaded: Path, tmp_path: Path) -> Iterator[Side]:
    """The loaded service."""
    file = tmp_path / "b.sqlite3"
    shutil.copyfile(loaded, file)
    opened = open_side(tmp_path, f"sqlite:///{file}")
    yield opened
    opened.close()


@pytest.fixture
def empty(database_url: str, tmp_path: Path) -> Iterator[Side]:
    """A service without a course, on SQLite and on PostgreSQL."""
    opened = open_side(tmp_path, database_url)
    yield opened
    opened.close()
