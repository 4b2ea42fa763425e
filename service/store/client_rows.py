"""Rows of registered clients. They are never deleted: what a client did stays attributable."""

from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, func, insert, select, update

from service.store.access_tables import clients
from service.store.statements import Statement

_c = clients.c


class ClientRow(NamedTuple):
    """A client as stored."""

    client_id: str
    site: str | None
    name: str
    kind: str
    scopes: str
    jwks: str | None
    jwks_url: str | None
    generation: int
    created_at: int
    rotated_at: int | None
    revoked_at: int | None


_ALL = select(*(_c[name] for name in ClientRow._fields))
_FIRST = Statement(select(func.min(_c.client_id)).where(_c.client_id > bindparam("after")))
_ONE = Statement(_ALL.where(_c.client_id == bindparam("client_id")))


def find_client(connection: Connection, client_id: str) -> ClientRow | None:
    """The client of that id, revoked or not."""
    rows = _ONE.rows(connection, {"client_id": client_id})
    return ClientRow(*rows[0]) if rows else None


def list_clients(connection: Connection) -> list[ClientRow]:
    """Every client that was ever registered, the oldest first."""
    return [ClientRow(*row) for row in connection.execute(_ALL.order_by(_c.created_at, _c.client_id))]


def any_client(connection: Connection) -> bool:
    """Whether a client was ever registered; a revoked one counts."""
    return _FIRST.rows(connection, {"after": ""})[0][0] is not None


def add_client(connection: Connection, row: ClientRow) -> None:
    """Insert a client."""
    connection.execute(insert(clients).values(row._asdict()))


def replace_keys(connection: Connection, client_id: str, jwks: str | None, jwks_url: str | None, at: int) -> bool:
    """Put other keys in place of the present ones; whatever the present ones obtained is void from now on."""
    return _change(connection, client_id, {"jwks": jwks, "jwks_url": jwks_url, "rotated_at": at})


def revoke_client(connection: Connection, client_id: str, at: int) -> bool:
    """Let a client have no access any more, for good. False when there is none of that id that could be revoked."""
    return _change(connection, client_id, {"revoked_at": at})


def _change(connection: Connection, client_id: str, values: dict[str, Any]) -> bool:
    mine = (_c.client_id == client_id, _c.revoked_at.is_(None))
    changed = update(clients).where(*mine).values(generation=_c.generation + 1, **values)
    return connection.execute(changed).rowcount == 1
