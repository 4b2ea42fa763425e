"""Exports: groups of patients, agreements with registries, jobs."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "export_groups",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("group_id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "group_id"),
    )
    op.create_table(
        "export_group_members",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("group_id", sa.String(length=64), nullable=False),
        sa.Column("patient", sa.String(length=64), nullable=False),
        sa.Column("added_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["site", "group_id"], ["export_groups.site", "export_groups.group_id"]),
        sa.PrimaryKeyConstraint("site", "group_id", "patient"),
    )
    op.create_table(
        "registry_agreements",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("mode", sa.String(length=16), nullable=False),
        sa.Column("key_file", sa.String(length=500), nullable=True),
        sa.Column("group_id", sa.String(length=64), nullable=True),
        sa.Column("agreed_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
        sa.PrimaryKeyConstraint("site", "client_id"),
    )
    op.create_index("registry_agreements_by_client_id", "registry_agreements", ["client_id"])
    op.create_table(
        "export_jobs",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("job_id", sa.String(length=64), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("leased_until", sa.BigInteger(), nullable=False),
        sa.Column("progress", sa.String(length=99), nullable=False),
        sa.Column("polled_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "job_id"),
    )
    op.create_index("export_jobs_by_state", "export_jobs", ["state", "created_at"])
