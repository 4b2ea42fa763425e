"""Access: clients, used assertions, tokens, chart links and the sessions that they become."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "clients",
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=True),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("jwks", sa.Text(), nullable=True),
        sa.Column("jwks_url", sa.String(length=500), nullable=True),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("rotated_at", sa.BigInteger(), nullable=True),
        sa.Column("revoked_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("client_id"),
    )
    op.create_table(
        "used_assertions",
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("jti_digest", sa.LargeBinary(), nullable=False),
        sa.Column("keep_until", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
        sa.PrimaryKeyConstraint("client_id", "jti_digest"),
    )
    op.create_index("used_assertions_by_keep_until", "used_assertions", ["keep_until"])
    op.create_table(
        "access_tokens",
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("issued_at", sa.BigInteger(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("access_tokens_by_expires_at", "access_tokens", ["expires_at"])
    op.create_table(
        "chart_links",
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.Column("opened_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("chart_links_by_expires_at", "chart_links", ["expires_at"])
    op.create_table(
        "chart_sessions",
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.client_id"]),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("chart_sessions_by_expires_at", "chart_sessions", ["expires_at"])
