"""Walks."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the table of walks."""
    op.create_table(
        "walks",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("room", sa.String(), nullable=False),
        sa.Column("only_group", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("began", TIME, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("level_db", sa.Float(), nullable=False),
        sa.Column("step_within_s", sa.Float(), nullable=False),
        sa.Column("as_baseline", sa.Boolean(), nullable=False),
        sa.Column("positions", sa.JSON(), nullable=False),
        sa.Column("at", sa.String(), nullable=False),
        sa.Column("now", sa.JSON(), nullable=True),
        sa.Column("steps", sa.Integer(), nullable=False),
        sa.Column("heard", sa.JSON(), nullable=False),
        sa.Column("not_walked", sa.JSON(), nullable=False),
        sa.Column("words", sa.String(), nullable=False),
        sa.Column("ended", TIME, nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_walks"),
        sa.UniqueConstraint("id", name="uq_walks_id"),
    )
    op.create_index("ix_walks_room", "walks", ["room"])
    op.create_index("ix_walks_state", "walks", ["state"])
