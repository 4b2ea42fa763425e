"""Tables of access: who may ask, which assertions were used, which tokens and chart sessions are valid.

Rows are found by what a caller shows before anybody knows its site, so that these keys begin with a client's id or
with the digest of a secret. No secret is stored: a token, link or session is kept as its SHA-256, a client by its
public keys. Times are whole microseconds since 1970 UTC.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)

from service.store.tables import metadata

_CLIENT = 64  # characters of a client's id
_SITE = 64
_ID = 64

clients = Table(
    "clients",
    metadata,
    Column("client_id", String(_CLIENT), nullable=False),
    Column("site", String(_SITE)),  # null for a registry, which reads no site's identified data
    Column("name", String(200), nullable=False),
    Column("kind", String(8), nullable=False),  # backend or registry
    Column("scopes", Text, nullable=False),  # what it may ask for, separated by blanks
    Column("jwks", Text),  # its public keys, or null where they are fetched
    Column("jwks_url", String(500)),
    Column("generation", Integer, nullable=False),  # 1, 2, 3 ...; a token of an earlier one is void
    Column("created_at", BigInteger, nullable=False),
    Column("rotated_at", BigInteger),
    Column("revoked_at", BigInteger),
    PrimaryKeyConstraint("client_id"),
)

# The key is what keeps two processes from taking one assertion: the second insert finds the first.
used_assertions = Table(
    "used_assertions",
    metadata,
    Column("client_id", String(_CLIENT), nullable=False),
    Column("jti_digest", LargeBinary, nullable=False),
    Column("keep_until", BigInteger, nullable=False),
    PrimaryKeyConstraint("client_id", "jti_digest"),
    ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
    Index("used_assertions_by_keep_until", "keep_until"),
)

access_tokens = Table(
    "access_tokens",
    metadata,
    Column("digest", LargeBinary, nullable=False),
    Column("client_id", String(_CLIENT), nullable=False),
    Column("generation", Integer, nullable=False),
    Column("scopes", Text, nullable=False),
    Column("issued_at", BigInteger, nullable=False),
    Column("expires_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("digest"),
    ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
    Index("access_tokens_by_expires_at", "expires_at"),
)

# A link is opened once and becomes a session; both are for one course of the client's site.
chart_links = Table(
    "chart_links",
    metadata,
    Column("digest", LargeBinary, nullable=False),
    Column("client_id", String(_CLIENT), nullable=False),
    Column("generation", Integer, nullable=False),
    Column("site", String(_SITE), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("expires_at", BigInteger, nullable=False),
    Column("opened_at", BigInteger),
    PrimaryKeyConstraint("digest"),
    ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
    Index("chart_links_by_expires_at", "expires_at"),
)

chart_sessions = Table(
    "chart_sessions",
    metadata,
    Column("digest", LargeBinary, nullable=False),
    Column("client_id", String(_CLIENT), nullable=False),
    Column("generation", Integer, nullable=False),
    Column("site", String(_SITE), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("expires_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("digest"),
    ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
    Index("chart_sessions_by_expires_at", "expires_at"),
)
