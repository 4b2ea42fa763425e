"""Destinations that are sent HL7 v2 messages: how the message is addressed, and whether the line may be plain."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    for column in (
        sa.Column("receiving_application", sa.String(length=227), nullable=False, server_default=""),
        sa.Column("receiving_facility", sa.String(length=227), nullable=False, server_default=""),
        sa.Column("processing_id", sa.String(length=1), nullable=False, server_default="P"),
        sa.Column("authorities", sa.Text(), nullable=False, server_default=""),
        sa.Column("plain", sa.Boolean(), nullable=False, server_default=sa.false()),
    ):
        op.add_column("destinations", column)
