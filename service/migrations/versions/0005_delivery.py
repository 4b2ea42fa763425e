"""Delivery: destinations, the outbox, queues, what is there already, decisions of people."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "destinations",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("url", sa.String(length=500), nullable=False),
        sa.Column("writing", sa.String(length=11), nullable=False),
        sa.Column("patients", sa.String(length=11), nullable=False),
        sa.Column("types", sa.Text(), nullable=False),
        sa.Column("profiles", sa.Text(), nullable=False),
        sa.Column("sign_in", sa.String(length=6), nullable=False),
        sa.Column("secret_file", sa.Text(), nullable=False),
        sa.Column("client_id", sa.String(length=255), nullable=False),
        sa.Column("token_url", sa.String(length=500), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("ca_file", sa.Text(), nullable=False),
        sa.Column("per_minute", sa.Integer(), nullable=False),
        sa.Column("paused", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.BigInteger(), nullable=False),
        sa.Column("next_at", sa.BigInteger(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "name"),
    )
    op.create_table(
        "outbox",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("destination", sa.String(length=64), nullable=False),
        sa.Column("patient", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("written", sa.Text(), nullable=True),
        sa.Column("state", sa.String(length=9), nullable=False),
        sa.Column("queued_at", sa.BigInteger(), nullable=False),
        sa.Column("settled_at", sa.BigInteger(), nullable=True),
        sa.Column("refusal", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("site", "number"),
    )
    op.create_index("outbox_by_state", "outbox", ["site", "destination", "state", "patient", "number"])
    op.create_table(
        "delivery_queues",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("destination", sa.String(length=64), nullable=False),
        sa.Column("patient", sa.String(length=64), nullable=False),
        sa.Column("next_at", sa.BigInteger(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=64), nullable=True),
        sa.Column("lease_until", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "destination", "patient"),
    )
    op.create_index("delivery_queues_by_next", "delivery_queues", ["site", "destination", "next_at"])
    op.create_table(
        "delivered_resources",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("destination", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("remote_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("theirs", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("site", "destination", "id", "type"),
    )
    op.create_table(
        "delivery_decisions",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("destination", sa.String(length=64), nullable=False),
        sa.Column("what", sa.String(length=8), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=True),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("decided_by", sa.String(length=200), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("decided_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "number"),
    )
