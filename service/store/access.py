"""The database as access control uses it: short reads by key, short writes, each a transaction of its own."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine, text

from service.store.engines import engines
from service.store.errors import translated
from service.store.nearby import NotNearby, nearby


class AccessDatabase:
    """Connections of access control. They are others than the store's, so that no sign-in waits behind its writers."""

    def __init__(self, writer: Engine, reader: Engine) -> None:
        self._writer = writer
        self._reader = reader
        self._nearby = nearby(reader)

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction: on disk when the block ends, without a trace when it raises. StoreError as for the store."""
        with translated(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """See what is committed at the moment, by whichever process."""
        with translated(), self._reader.connect() as connection:
            yield connection

    @contextmanager
    def read_nearby(self) -> Iterator[Connection]:
        """For one read by key that does not wait, on the thread that serves requests; may raise NotNearby."""
        if self._nearby is None:
            raise NotNearby
        with self._nearby.read() as connection:
            yield connection

    def ready(self) -> None:
        """Return while the tables are there; StoreError with the reason otherwise."""
        with self.read() as connection:
            connection.execute(text("SELECT 1 FROM clients WHERE 1 = 0"))

    def close(self) -> None:
        """Give back every connection."""
        if self._nearby:
            self._nearby.close()
        self._reader.dispose()
        self._writer.dispose()


def open_access_database(database_url: str, synchronous: str = "FULL") -> AccessDatabase:
    """Open the database of the store, migrated already; nothing is read yet. StoreError for an unusable address."""
    return AccessDatabase(*engines(database_url, synchronous))
