"""The tables. Every key begins with the site, so that sites can be kept apart, partitioned or distributed.

Times are whole microseconds since 1970 UTC. Readings are the record: `courses` and `entries` as charted. Resources are
their projection: current ones in `resources`, superseded ones in `resource_history`, bodies as served.

Why the search columns stand in the resource's own row, and why each index begins with the patient: a write touches the
rows of one patient, so that its index entries fall on neighbouring pages and the commit writes few of them; a search by
patient, code and date is one walk along `resources_by_patient`, whatever the size of the table.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={"ix": "%(table_name)s_%(column_0_N_name)s", "uq": "%(table_name)s_%(column_0_N_name)s_key"}
)

_SITE = 64  # characters of a site's key
_ID = 64  # characters of a FHIR id, of a course_id and of an entry_id

courses = Table(
    "courses",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("header", LargeBinary, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("patient_system", String(200), nullable=False),
    Column("patient_value", String(64), nullable=False),
    Column("patient_id", String(_ID), nullable=False),  # id of the Patient resource
    Column("opened_at", BigInteger, nullable=False),
    Column("state", String(8), nullable=False),
    Column("due_at", BigInteger),
    Column("overdue_shown", Boolean, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("received_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "course_id"),
    Index("courses_by_state", "site", "state", "course_id"),
    Index("courses_by_due", "site", "due_at", "course_id"),
)

# Headers that a later course file replaced (another name, birth date or encounter of the same patient).
course_revisions = Table(
    "course_revisions",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("header", LargeBinary, nullable=False),
    Column("received_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "course_id", "revision"),
    ForeignKeyConstraint(["site", "course_id"], ["courses.site", "courses.course_id"]),
)

entries = Table(
    "entries",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("course_id", String(_ID), nullable=False),
    Column("arrival", Integer, nullable=False),  # 1, 2, 3 ... within the course
    Column("entry_id", String(_ID), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("received_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "course_id", "arrival"),
    UniqueConstraint("site", "course_id", "entry_id"),
    ForeignKeyConstraint(["site", "course_id"], ["courses.site", "courses.course_id"]),
)

# The body stands last: a row is read from its front, and what a search compares lies before the long part.
resources = Table(
    "resources",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("type", String(40), nullable=False),
    Column("arrival", BigInteger, nullable=False),  # 1, 2, 3 ... within the site; a later version keeps it
    Column("id", String(_ID), nullable=False),
    Column("version", Integer, nullable=False),
    Column("last_updated", BigInteger, nullable=False),
    Column("patient", String(_ID), nullable=False),  # whom it is about; empty for nobody
    Column("code_set", Integer, nullable=False),  # token_sets.number, 0 for none: what it is a record of
    Column("token_set", Integer, nullable=False),  # token_sets.number, 0 for none: its category, status and so on
    Column("date_low", BigInteger, nullable=False),
    Column("date_high", BigInteger, nullable=False),
    Column("other_date_low", BigInteger, nullable=False),
    Column("other_date_high", BigInteger, nullable=False),
    Column("value_low", BigInteger, nullable=False),  # of a number observed, as search.quantities orders numbers
    Column("value_high", BigInteger, nullable=False),
    Column("value_unit", Integer, nullable=False),  # token_sets.number of its unit, 0 for none
    Column("components", Text, nullable=False),  # JSON: [[token set of code, of unit, low, high], ...]
    Column("course_id", String(_ID)),
    Column("entry_id", String(_ID)),
    Column("digest", LargeBinary, nullable=False),
    Column("terms", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("site", "type", "arrival"),
    UniqueConstraint("site", "id", "type"),
    Index("resources_by_patient", "site", "patient", "type", "code_set", "date_low", "arrival"),
    # The last two columns let a search by code or date without a patient be answered from the index alone.
    Index("resources_by_change", "site", "type", "last_updated", "arrival", "code_set", "date_low"),
)

identifiers = Table(
    "identifiers",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("value", String(200), nullable=False),
    Column("type", String(40), nullable=False),
    Column("arrival", BigInteger, nullable=False),
    Column("system", String(200), nullable=False),  # empty for none
    PrimaryKeyConstraint("site", "value", "type", "arrival", "system"),
    sqlite_with_rowid=False,
)

# Each set of tokens that occurs, once: resources of one concept share theirs, so that there are few.
token_sets = Table(
    "token_sets",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("number", Integer, nullable=False),  # 1, 2, 3 ... within the site
    Column("tokens", Text, nullable=False),  # JSON: [[parameter, system, code], ...]
    PrimaryKeyConstraint("site", "number"),
)

# Superseded versions, and those that were current when a resource was deleted.
resource_history = Table(
    "resource_history",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("id", String(_ID), nullable=False),
    Column("type", String(40), nullable=False),
    Column("version", Integer, nullable=False),
    Column("last_updated", BigInteger, nullable=False),
    Column("course_id", String(_ID)),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("site", "id", "type", "version"),
)

# Resources that an operator purged: read answers 410 and not 404; the number of versions goes on.
deletions = Table(
    "deletions",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("id", String(_ID), nullable=False),
    Column("type", String(40), nullable=False),
    Column("version", Integer, nullable=False),
    Column("last_updated", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "id", "type"),
)

# The row that a writer of the site locks: what was given out last.
site_clocks = Table(
    "site_clocks",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("last_updated", BigInteger, nullable=False),
    Column("last_arrival", BigInteger, nullable=False),
    Column("last_token_set", Integer, nullable=False),
    PrimaryKeyConstraint("site"),
)

# Who asked what, when and with what outcome (`store.audit`). Appended and read; triggers refuse updates and deletes.
audit_events = Table(
    "audit_events",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("id", String(_ID), nullable=False),  # begins with the instant
    Column("patient", String(_ID), nullable=False),  # empty for none
    Column("action", String(1), nullable=False),
    Column("outcome", String(2), nullable=False),
    Column("request_id", String(_ID), nullable=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("site", "id"),
    Index("audit_events_by_patient", "site", "patient", "id"),
)
