"""What can go wrong with the store: every failure of the database leaves as one of these, nothing half written."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, InterfaceError, TimeoutError

from service import counting


class StoreError(Exception):
    """The store could not do what it was asked; the transaction is rolled back."""


class StoreUnavailableError(StoreError):
    """The database cannot be reached or opened at the moment; the same request may succeed later."""


class StoreBusyError(StoreUnavailableError):
    """Another writer held the database for longer than the waiting time."""


class StoreFullError(StoreUnavailableError):
    """No room is left for the database; a person must make some."""


class StoreCorruptedError(StoreError):
    """The database file is damaged or no database; restore a backup. Retrying does not help."""


class SchemaError(StoreError):
    """The tables are not those of this version: run the migration, or start the version that made them."""


class DraftError(StoreError):
    """A resource handed over for storing does not have the agreed form."""


_BY_SQLITE_NAME = {
    "SQLITE_BUSY": StoreBusyError,
    "SQLITE_LOCKED": StoreBusyError,
    "SQLITE_FULL": StoreFullError,
    "SQLITE_CORRUPT": StoreCorruptedError,
    "SQLITE_NOTADB": StoreCorruptedError,
    "SQLITE_CANTOPEN": StoreUnavailableError,
    "SQLITE_IOERR": StoreUnavailableError,
    "SQLITE_READONLY": StoreUnavailableError,
    "SQLITE_PERM": StoreUnavailableError,
    "SQLITE_AUTH": StoreUnavailableError,
}

# PostgreSQL: https://www.postgresql.org/docs/current/errcodes-appendix.html; by class, longest match first.
_BY_SQLSTATE = {
    "53100": StoreFullError,
    "25006": StoreUnavailableError,  # a standby that does not take writes yet
    "40001": StoreBusyError,
    "40P01": StoreBusyError,
    "55P03": StoreBusyError,
    "57014": StoreBusyError,
    "42P01": SchemaError,
    "42703": SchemaError,
    "XX001": StoreCorruptedError,
    "XX002": StoreCorruptedError,
    "58P01": StoreCorruptedError,  # a file of a table is gone
    "58": StoreUnavailableError,
    "08": StoreUnavailableError,
    "53": StoreUnavailableError,
    "57P": StoreUnavailableError,
}

# PostgreSQL has a number for a full disk (ENOSPC). A quota or the largest size of a file (EDQUOT, EFBIG) it reports as
# an internal error; where in its source that happened is told in every language alike.
_WRITES_OF_A_FILE = frozenset({"mdextend", "mdzeroextend", "XLogWrite", "XLogFileInitInternal"})
_ENDS_THE_CONNECTION = frozenset({"FATAL", "PANIC"})

_MESSAGES = {
    StoreUnavailableError: "the database cannot be reached or opened",
    StoreBusyError: "the database was busy for too long",
    StoreFullError: "no room is left for the database",
    StoreCorruptedError: "the database is damaged: stop the service and restore a backup",
    SchemaError: "the tables are not those of this version of the service",
    StoreError: "the database refused the statement",
}


def store_error(error: DBAPIError | TimeoutError) -> StoreError:
    """The store's error for one of the database driver; its message holds no value of any row."""
    kind = StoreBusyError if isinstance(error, TimeoutError) else _kind(error)
    counting.count("database_errors", kind.__name__)
    return kind(_MESSAGES[kind])


@contextmanager
def translated() -> Iterator[None]:
    """Within the block errors of the database driver leave as the store's."""
    try:
        yield
    except (DBAPIError, TimeoutError) as error:
        raise store_error(error) from error


def _kind(error: DBAPIError) -> type[StoreError]:
    origin = error.orig
    name = getattr(origin, "sqlite_errorname", None)
    if name:
        if "no such table" in str(origin) or "no such column" in str(origin):
            return SchemaError
        # Extended names, such as SQLITE_IOERR_WRITE, begin with the primary one.
        return next((kind for prefix, kind in _BY_SQLITE_NAME.items() if name.startswith(prefix)), StoreError)
    state = getattr(origin, "sqlstate", None)
    if state:
        return next((kind for prefix, kind in _BY_SQLSTATE.items() if state.startswith(prefix)), _unnamed(origin))
    unreachable = error.connection_invalidated or isinstance(error, InterfaceError) or type(origin).__name__ in (
        "OperationalError",
    )  # fmt: skip
    return StoreUnavailableError if unreachable else StoreError


def _unnamed(origin: object) -> type[StoreError]:
    """The kind of an error of PostgreSQL whose number says nothing."""
    told = getattr(origin, "diag", None)
    if getattr(told, "source_function", None) in _WRITES_OF_A_FILE:
        return StoreFullError
    ended = getattr(told, "severity_nonlocalized", None) in _ENDS_THE_CONNECTION
    return StoreUnavailableError if ended else StoreError
