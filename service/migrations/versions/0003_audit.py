"""The audit record: a table of its own that is appended and read only."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

REFUSAL = "the audit record is appended and read only"


def upgrade() -> None:
    op.create_table(
        "audit_events",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("patient", sa.String(length=64), nullable=False),
        sa.Column("action", sa.String(length=1), nullable=False),
        sa.Column("outcome", sa.String(length=2), nullable=False),
        sa.Column("request_id", sa.String(length=64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "id"),
    )
    op.create_index("audit_events_by_patient", "audit_events", ["site", "patient", "id"])
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_events_no_{verb.lower()} BEFORE {verb} ON audit_events "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
    else:
        op.execute(
            "CREATE FUNCTION audit_events_refuse() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_events_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_events "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_events_refuse()"
        )
