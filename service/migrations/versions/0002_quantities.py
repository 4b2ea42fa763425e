"""Numbers that resources are found by: the observed one in columns, those of components as a list."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NO_NUMBER = -(2**63)
BEFORE = (
    "site", "type", "arrival", "id", "version", "last_updated", "patient", "code_set", "token_set", "date_low",
    "date_high", "other_date_low", "other_date_high", "course_id", "entry_id", "digest", "terms", "body",
)  # fmt: skip
FRESH = {"value_low": NO_NUMBER, "value_high": NO_NUMBER, "value_unit": 0, "components": "'[]'"}


def upgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        _make_again()
        return
    for column in _fresh_columns():
        value = sa.text(str(FRESH[column.name]))
        op.add_column("resources", sa.Column(column.name, column.type, nullable=False, server_default=value))
        op.alter_column("resources", column.name, server_default=None)


def _make_again() -> None:
    """On SQLite a new table, since a column that is added stands behind the long body and is slow to read there."""
    op.create_table(
        "resources_again",
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
        *_fresh_columns(),
        sa.Column("course_id", sa.String(length=64), nullable=True),
        sa.Column("entry_id", sa.String(length=64), nullable=True),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("terms", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("site", "type", "arrival"),
        sa.UniqueConstraint("site", "id", "type", name="resources_site_id_type_key"),
    )
    before, values = ", ".join(BEFORE), ", ".join(str(value) for value in FRESH.values())
    op.execute(f"INSERT INTO resources_again ({before}, {', '.join(FRESH)}) SELECT {before}, {values} FROM resources")
    op.drop_table("resources")
    op.rename_table("resources_again", "resources")
    op.create_index(
        "resources_by_change", "resources", ["site", "type", "last_updated", "arrival", "code_set", "date_low"]
    )
    op.create_index("resources_by_patient", "resources", ["site", "patient", "type", "code_set", "date_low", "arrival"])


def _fresh_columns() -> list[sa.Column[Any]]:
    return [
        sa.Column("value_low", sa.BigInteger(), nullable=False),
        sa.Column("value_high", sa.BigInteger(), nullable=False),
        sa.Column("value_unit", sa.Integer(), nullable=False),
        sa.Column("components", sa.Text(), nullable=False),
    ]
