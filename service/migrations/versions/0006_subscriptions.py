"""Subscriptions, and the events that each is told."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "subscriptions",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("last_updated", sa.BigInteger(), nullable=False),
        sa.Column("status", sa.String(length=10), nullable=False),
        sa.Column("topic", sa.String(length=64), nullable=False),
        sa.Column("focus", sa.Text(), nullable=False),
        sa.Column("endpoint", sa.String(length=500), nullable=False),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("content", sa.String(length=16), nullable=False),
        sa.Column("heartbeat_s", sa.Integer(), nullable=True),
        sa.Column("timeout_s", sa.Integer(), nullable=False),
        sa.Column("most_events", sa.Integer(), nullable=False),
        sa.Column("end_at", sa.BigInteger(), nullable=True),
        sa.Column("events", sa.BigInteger(), nullable=False),
        sa.Column("told", sa.BigInteger(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failure", sa.Text(), nullable=False),
        sa.Column("next_attempt_at", sa.BigInteger(), nullable=False),
        sa.Column("last_sent_at", sa.BigInteger(), nullable=False),
        sa.Column("held_until", sa.BigInteger(), nullable=False),
        sa.Column("held_by", sa.String(length=64), nullable=False),
        sa.Column("deleted_at", sa.BigInteger(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "id"),
    )
    op.create_index("subscriptions_by_client", "subscriptions", ["site", "client_id"])
    op.create_index("subscriptions_by_status", "subscriptions", ["status", "next_attempt_at"])
    op.create_table(
        "subscription_events",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("subscription", sa.String(length=64), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site", "subscription"], ["subscriptions.site", "subscriptions.id"]),
        sa.PrimaryKeyConstraint("site", "subscription", "number"),
    )


def downgrade() -> None:
    op.drop_table("subscription_events")
    op.drop_table("subscriptions")
