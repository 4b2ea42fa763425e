"""Rows of used assertions and of access tokens."""

from typing import NamedTuple

from sqlalchemy import Connection, bindparam, delete, select
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service.store.access_tables import access_tokens, clients, used_assertions
from service.store.statements import Statement, insertion

_CLOCKS_APART = 60_000_000  # microseconds

_t, _c, _u = access_tokens.c, clients.c, used_assertions.c


class TokenRow(NamedTuple):
    """An access token as stored."""

    digest: bytes
    client_id: str
    generation: int
    scopes: str
    issued_at: int
    expires_at: int


class BearerRow(NamedTuple):
    """Who shows a valid token, and what the token was granted."""

    client_id: str
    site: str | None
    kind: str
    scopes: str


# Revocation and rotation take effect here: the client's row is read with every request.
# A token of the near future is one of another machine whose clock is ahead.
_VALID = (
    _t.digest == bindparam("digest"),
    _t.issued_at <= bindparam("latest_issue"),
    _t.expires_at > bindparam("now"),
)
_BEARER = Statement(
    select(_t.client_id, _c.site, _c.kind, _t.scopes)
    .join(clients, (_c.client_id == _t.client_id) & (_c.generation == _t.generation) & _c.revoked_at.is_(None))
    .where(*_VALID)
)
_ADD_TOKEN = Statement(insertion(access_tokens))


def use_assertion(connection: Connection, client_id: str, jti_digest: bytes, keep_until: int) -> bool:
    """Remember an assertion as used; False when it was used before. The table's key decides between processes."""
    fresh = insert_sqlite if connection.dialect.name == "sqlite" else insert_postgresql
    values = {"client_id": client_id, "jti_digest": jti_digest, "keep_until": keep_until}
    added = fresh(used_assertions).values(values).on_conflict_do_nothing().returning(_u.client_id)
    return connection.execute(added).first() is not None


def add_token(connection: Connection, row: TokenRow) -> None:
    """Insert an access token."""
    _ADD_TOKEN.run(connection, row._asdict())


def find_bearer(connection: Connection, digest: bytes, now: int) -> BearerRow | None:
    """The client of a token that is valid now: not expired, not of earlier keys, not of a revoked client."""
    rows = _BEARER.rows(connection, {"digest": digest, "now": now, "latest_issue": now + _CLOCKS_APART})
    return BearerRow(*rows[0]) if rows else None


def forget_expired_tokens(connection: Connection, before: int) -> None:
    """Delete tokens and used assertions that were over before an instant."""
    connection.execute(delete(access_tokens).where(_t.expires_at < before))
    connection.execute(delete(used_assertions).where(_u.keep_until < before))
