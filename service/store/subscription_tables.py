"""Tables of subscriptions: who wants to be told what and where, and the events that each was or is to be told.

Times are whole microseconds since 1970 UTC. `headers` are what the subscriber wants sent along, a secret of theirs: the
column is never read for an answer, and emptied when the subscription is deleted.
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

_SITE = 64
_ID = 64

subscriptions = Table(
    "subscriptions",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("id", String(_ID), nullable=False),
    Column("client_id", String(_ID), nullable=False),  # who made it, and alone may see it
    Column("version", Integer, nullable=False),
    Column("last_updated", BigInteger, nullable=False),
    Column("status", String(10), nullable=False),  # requested, active, error or off
    Column("topic", String(64), nullable=False),  # key of subscription-topics.csv
    Column("focus", Text, nullable=False),  # JSON: what `subscription_matching` asks of a resource
    Column("endpoint", String(500), nullable=False),
    Column("headers", Text, nullable=False),  # JSON: [[name, value], ...]
    Column("content", String(16), nullable=False),  # empty, id-only or full-resource
    Column("heartbeat_s", Integer),
    Column("timeout_s", Integer, nullable=False),
    Column("most_events", Integer, nullable=False),  # in one notification
    Column("end_at", BigInteger),
    Column("events", BigInteger, nullable=False),  # number of the newest event
    Column("told", BigInteger, nullable=False),  # number of the newest event that the endpoint took
    Column("failures", Integer, nullable=False),  # in a row
    Column("failure", Text, nullable=False),  # the words of the newest one
    Column("next_attempt_at", BigInteger, nullable=False),
    Column("last_sent_at", BigInteger, nullable=False),
    Column("held_until", BigInteger, nullable=False),  # by the sender named in held_by
    Column("held_by", String(_ID), nullable=False),
    Column("deleted_at", BigInteger),
    Column("body", LargeBinary, nullable=False),  # the resource as sent, without its headers
    PrimaryKeyConstraint("site", "id"),
    Index("subscriptions_by_client", "site", "client_id"),
    Index("subscriptions_by_status", "status", "next_attempt_at"),
)

subscription_events = Table(
    "subscription_events",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("subscription", String(_ID), nullable=False),
    Column("number", BigInteger, nullable=False),  # 1, 2, 3 ... within the subscription
    Column("at", BigInteger, nullable=False),
    Column("type", String(40), nullable=False),
    Column("id", String(_ID), nullable=False),
    Column("version", Integer, nullable=False),
    PrimaryKeyConstraint("site", "subscription", "number"),
    ForeignKeyConstraint(["site", "subscription"], ["subscriptions.site", "subscriptions.id"]),
)
