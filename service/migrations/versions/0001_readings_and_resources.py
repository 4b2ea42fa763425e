"""The first tables: readings as charted, resources as served, what they are found by."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make every table of an empty database."""
    op.create_table(
        "courses",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("header", sa.LargeBinary(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("patient_system", sa.String(length=200), nullable=False),
        sa.Column("patient_value", sa.String(length=64), nullable=False),
        sa.Column("patient_id", sa.String(length=64), nullable=False),
        sa.Column("opened_at", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=True),
        sa.Column("overdue_shown", sa.Boolean(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "course_id"),
    )
    op.create_index("courses_by_due", "courses", ["site", "due_at", "course_id"])
    op.create_index("courses_by_state", "courses", ["site", "state", "course_id"])
    op.create_table(
        "deletions",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("last_updated", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "id", "type"),
    )
    op.create_table(
        "identifiers",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("value", sa.String(length=200), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("arrival", sa.BigInteger(), nullable=False),
        sa.Column("system", sa.String(length=200), nullable=False),
        sa.PrimaryKeyConstraint("site", "value", "type", "arrival", "system"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "resource_history",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("last_updated", sa.BigInteger(), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "id", "type", "version"),
    )
    op.create_table(
        "resources",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("arrival", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("last_updated", sa.BigInteger(), nullable=False),
        sa.Column("patient", sa.String(length=64), nullable=False),
        sa.Column("code_set", sa.Integer(), nullable=False),
        sa.Column("token_set", sa.Integer(), nullable=False),
        sa.Column("date_low", sa.BigInteger(), nullable=False),
        sa.Column("date_high", sa.BigInteger(), nullable=False),
        sa.Column("other_date_low", sa.BigInteger(), nullable=False),
        sa.Column("other_date_high", sa.BigInteger(), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=True),
        sa.Column("entry_id", sa.String(length=64), nullable=True),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("terms", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "type", "arrival"),
        sa.UniqueConstraint("site", "id", "type", name="resources_site_id_type_key"),
    )
    op.create_index(
        "resources_by_change", "resources", ["site", "type", "last_updated", "arrival", "code_set", "date_low"]
    )
    op.create_index("resources_by_patient", "resources", ["site", "patient", "type", "code_set", "date_low", "arrival"])
    op.create_table(
        "site_clocks",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("last_updated", sa.BigInteger(), nullable=False),
        sa.Column("last_arrival", sa.BigInteger(), nullable=False),
        sa.Column("last_token_set", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("site"),
    )
    op.create_table(
        "token_sets",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("tokens", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "number"),
    )
    op.create_table(
        "course_revisions",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("header", sa.LargeBinary(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site", "course_id"],
            ["courses.site", "courses.course_id"],
        ),
        sa.PrimaryKeyConstraint("site", "course_id", "revision"),
    )
    op.create_table(
        "entries",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("course_id", sa.String(length=64), nullable=False),
        sa.Column("arrival", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.String(length=64), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site", "course_id"],
            ["courses.site", "courses.course_id"],
        ),
        sa.PrimaryKeyConstraint("site", "course_id", "arrival"),
        sa.UniqueConstraint("site", "course_id", "entry_id", name="entries_site_course_id_entry_id_key"),
    )
