"""Tables of exports: groups of patients, what sites agreed with registries, and the jobs.

Times are whole microseconds since 1970 UTC. No key of a pseudonym is stored, only the name of the file it stands in. A
job of a registry spans sites and has an empty one.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKeyConstraint,
    Index,
    Integer,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)

import service.store.access_tables  # noqa: F401 - an agreement names a client
from service.store.tables import metadata

_SITE = 64
_ID = 64
_CLIENT = 64

export_groups = Table(
    "export_groups",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("group_id", String(_ID), nullable=False),
    Column("name", String(200), nullable=False),
    Column("created_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "group_id"),
)

export_group_members = Table(
    "export_group_members",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("group_id", String(_ID), nullable=False),
    Column("patient", String(_ID), nullable=False),  # id of the Patient
    Column("added_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "group_id", "patient"),
    ForeignKeyConstraint(["site", "group_id"], ["export_groups.site", "export_groups.group_id"]),
)

registry_agreements = Table(
    "registry_agreements",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("client_id", String(_CLIENT), nullable=False),
    Column("mode", String(16), nullable=False),
    Column("key_file", String(500)),
    Column("group_id", String(_ID)),  # only these patients; null for all
    Column("agreed_at", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "client_id"),
    ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
    Index("registry_agreements_by_client_id", "client_id"),
)

export_jobs = Table(
    "export_jobs",
    metadata,
    Column("site", String(_SITE), nullable=False),
    Column("job_id", String(_ID), nullable=False),
    Column("client_id", String(_CLIENT), nullable=False),
    Column("state", String(9), nullable=False),  # waiting, running, done, failed, cancelled
    Column("asked", Text, nullable=False),  # JSON
    Column("created_at", BigInteger, nullable=False),
    Column("attempt", Integer, nullable=False),  # whoever runs an earlier one has lost the job
    Column("leased_until", BigInteger, nullable=False),
    Column("progress", String(99), nullable=False),
    Column("polled_at", BigInteger, nullable=False),
    Column("ended_at", BigInteger),
    Column("outcome", Text, nullable=False),  # JSON of the manifest, or why it failed
    PrimaryKeyConstraint("site", "job_id"),
    Index("export_jobs_by_state", "state", "created_at"),
)
