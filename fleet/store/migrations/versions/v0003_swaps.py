"""Swaps, and devices that are retired."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the table of swaps, and what is known of a device that was taken out of service."""
    op.add_column("devices", sa.Column("retired", sa.JSON(), nullable=True))
    op.create_table(
        "swaps",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("positions", sa.JSON(), nullable=False),
        sa.Column("old", sa.String(), nullable=False),
        sa.Column("old_serial", sa.String(), nullable=False),
        sa.Column("new", sa.String(), nullable=False),
        sa.Column("new_serial", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("began", TIME, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("version_before", sa.String(), nullable=False),
        sa.Column("writes", sa.JSON(), nullable=False),
        sa.Column("undoes", sa.String(), nullable=False),
        sa.Column("words", sa.String(), nullable=False),
        sa.Column("ended", TIME, nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_swaps"),
        sa.UniqueConstraint("id", name="uq_swaps_id"),
    )
    op.create_index("ix_swaps_state", "swaps", ["state"])
