"""Tables of delivery: where data goes, what waits for it, what is there already, what people decided about it.

Nothing of a destination's credentials is stored but the names of the files they stand in. Times are whole microseconds
since 1970 UTC. What waits is kept by destination and patient: all courses of one patient share the Patient, and only
who sends them one after the other can never bring an older state of it behind a newer one.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Index,
    Integer,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)

from service.store.tables import metadata

_SITE = 64
_ID = 64
_NAME = 64  # characters of a destination's name

destinations = Table(
    "destinations",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("name", String(_NAME), nullable=False),
    Column("url", String(500), nullable=False),
    Column("writing", String(11), nullable=False),  # put, conditional or oru
    Column("patients", String(11), nullable=False),  # conditional, logical or own
    Column("types", Text, nullable=False),  # resource types, separated by blanks; empty for all
    Column("profiles", Text, nullable=False),  # canonicals, one of which is claimed; empty for any
    Column("sign_in", String(6), nullable=False),  # none, bearer or smart
    Column("secret_file", Text, nullable=False),  # the file of the token or of the private key
    Column("client_id", String(255), nullable=False),
    Column("token_url", String(500), nullable=False),  # empty: what the server's SMART configuration says
    Column("scope", Text, nullable=False),
    Column("ca_file", Text, nullable=False),
    Column("per_minute", Integer, nullable=False),  # requests; 0 for no limit
    # Of messages: MSH-5, MSH-6 and MSH-11; SYSTEM=NAME, a line each; whether they may go without TLS off loopback.
    Column("receiving_application", String(227), nullable=False),
    Column("receiving_facility", String(227), nullable=False),
    Column("processing_id", String(1), nullable=False),
    Column("authorities", Text, nullable=False),
    Column("plain", Boolean, nullable=False),
    Column("paused", Boolean, nullable=False),
    Column("added_at", BigInteger, nullable=False),
    Column("next_at", BigInteger, nullable=False),  # no request before: rate, Retry-After, backing off
    Column("failures", Integer, nullable=False),  # faults of the server as a whole since it last answered
    Column("fault", Text, nullable=False),  # the latest of them, without any word of the server
    PrimaryKeyConstraint("site", "name"),
)

# One row for each write of a course and destination; kept when it is settled.
outbox = Table(
    "outbox",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("number", BigInteger, nullable=False),  # 1, 2, 3 ... within the site, in the order of the writes
    Column("destination", String(_NAME), nullable=False),
    Column("patient", String(_ID), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("written", Text),  # JSON: [[type, id], ...]; null for everything of the course
    Column("state", String(9), nullable=False),  # waiting, held, delivered, skipped or dropped
    Column("queued_at", BigInteger, nullable=False),
    Column("settled_at", BigInteger),
    Column("refusal", Text),  # the other server's words, for a person
    PrimaryKeyConstraint("site", "number"),
    Index("outbox_by_state", "site", "destination", "state", "patient", "number"),
)

# What goes to one destination about one patient, one after the other; the row is what a sender takes a lease on.
delivery_queues = Table(
    "delivery_queues",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("destination", String(_NAME), nullable=False),
    Column("patient", String(_ID), nullable=False),
    Column("next_at", BigInteger),  # null while nothing may be sent
    Column("attempts", Integer, nullable=False),
    Column("holder", String(_ID)),
    Column("lease_until", BigInteger, nullable=False),  # 0 for nobody's
    PrimaryKeyConstraint("site", "destination", "patient"),
    Index("delivery_queues_by_next", "site", "destination", "next_at"),
)

delivered_resources = Table(
    "delivered_resources",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("destination", String(_NAME), nullable=False),
    Column("id", String(_ID), nullable=False),
    Column("type", String(40), nullable=False),
    Column("remote_id", String(_ID), nullable=False),
    Column("version", Integer, nullable=False),  # of ours that is there; 0 where it is there and its content unknown
    Column("theirs", Boolean, nullable=False),  # it was there before: referred to, never written over
    PrimaryKeyConstraint("site", "destination", "id", "type"),
)

delivery_decisions = Table(
    "delivery_decisions",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("destination", String(_NAME), nullable=False),
    Column("what", String(8), nullable=False),  # redrive, skip or remove
    Column("course_id", String(_ID)),
    Column("rows", Integer, nullable=False),  # how many outbox rows it was about
    Column("decided_by", String(200), nullable=False),
    Column("reason", Text, nullable=False),
    Column("decided_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "number"),
)
