"""Backup and restoring of an SQLite database while others write, and the search for damage in it.

The copy is made in one step of SQLite's online backup: one state of the database, whatever is being written. It goes
to a file beside its destination, is checked, brought to disk and only then given its name; so a file of that name is
whole. PostgreSQL has tools of its own (docs/durability.md).
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from sqlalchemy.engine import make_url

from service.store.errors import StoreCorruptedError, StoreError, StoreFullError, StoreUnavailableError
from service.store.schema import expected_revision

_ONLY_MINE = 0o600  # readings of patients
_MOST_FAULTS = 20
_BESIDE = ("", "-wal", "-shm", "-journal")


class Copied(NamedTuple):
    """A finished copy: where, how large, its SHA-256, and what it holds."""

    path: Path
    size: int
    digest: str
    courses: int
    entries: int
    revision: str


def back_up(database_url: str, destination: Path) -> Copied:
    """Copy the database into a new file. StoreError for a file that is there, another engine, or damage found."""
    source = database_file(database_url)
    if not source.is_file():
        raise StoreUnavailableError(f"there is no database {source}")
    return _copy(source, destination)


def restore(backup: Path, database_url: str) -> Copied:
    """Make a database of a backup where there is none. StoreError when there is one, or the backup is damaged.

    What remains of a database (a write-ahead log) counts as one: SQLite would play it into the restored one.
    """
    destination = database_file(database_url)
    for suffix in _BESIDE:
        there = destination.with_name(destination.name + suffix)
        if there.exists():
            raise StoreError(f"{there} is there already; a restore overwrites nothing: move it away first")
    return _copy(backup, destination)


def damage_of(database_url: str) -> list[str]:
    """What SQLite's integrity check finds wrong with the file, in its words; nothing for another engine."""
    if make_url(database_url).get_backend_name() != "sqlite":
        return []
    path = database_file(database_url)
    if not path.is_file():
        return []
    with _named_faults(path), closing(sqlite3.connect(path, isolation_level=None)) as connection:
        try:
            return _faults(connection)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise
            return [str(error)]


def database_file(database_url: str) -> Path:
    """The file of an SQLite address; StoreError for another engine."""
    url = make_url(database_url)
    if url.get_backend_name() != "sqlite" or not url.database:
        raise StoreError("this is for SQLite; PostgreSQL is backed up with pg_dump and pg_restore")
    return Path(url.database)


def _copy(source: Path, destination: Path) -> Copied:
    if destination.exists():
        raise StoreError(f"{destination} is there already; nothing is overwritten")
    partial = destination.with_name(destination.name + ".partial")
    with _named_faults(source):
        try:
            os.close(os.open(partial, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, _ONLY_MINE))
            copied = _copy_into(source, partial)
            os.link(partial, destination)  # unlike a renaming it fails where somebody else was first
        finally:
            partial.unlink(missing_ok=True)
        _sync(destination.parent)
    return copied._replace(path=destination)


def _copy_into(source: Path, partial: Path) -> Copied:
    with closing(sqlite3.connect(source)) as reading, closing(sqlite3.connect(partial)) as writing:
        reading.execute("PRAGMA query_only=ON")
        reading.backup(writing)
        writing.execute("PRAGMA journal_mode=DELETE")  # a single file, without a log beside it
        faults = _faults(writing)
        if faults:
            raise StoreCorruptedError(f"{source} is damaged: {faults[0]}")
        courses, entries = (writing.execute(f"SELECT count(*) FROM {n}").fetchone()[0] for n in ("courses", "entries"))
        revision = writing.execute("SELECT version_num FROM alembic_version").fetchone()
    _sync(partial)
    return Copied(partial, partial.stat().st_size, _digest(partial), courses, entries, revision[0] if revision else "")


def is_current(copied: Copied) -> bool:
    """Whether the tables are those of this version of the service, so that nothing needs migrating."""
    return copied.revision == expected_revision()


def _faults(connection: sqlite3.Connection) -> list[str]:
    found = [row[0] for row in connection.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")]
    loose = [f"{row[0]} refers to a missing row of {row[2]}" for row in connection.execute("PRAGMA foreign_key_check")]
    return ([] if found == ["ok"] else found) + loose[:_MOST_FAULTS]


def _digest(path: Path) -> str:
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _sync(path: Path) -> None:
    """Bring a file, or the names in a folder, to disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _named_faults(source: Path) -> Iterator[None]:
    """Errors of SQLite and of the file system as the store's."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        name = getattr(error, "sqlite_errorname", "")
        if name.startswith("SQLITE_FULL"):
            raise StoreFullError("no room is left for the copy") from error
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            raise StoreCorruptedError(f"{source} is damaged or no database: {error}") from error
        if "no such table" in str(error):
            raise StoreError(f"{source} is no database of this service") from error
        raise StoreUnavailableError(f"{source} cannot be copied: {error}") from error
    except OSError as error:
        raise StoreUnavailableError(f"{error.filename}: {error.strerror}") from error
