"""What stands of rooms, and notices."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the tables of what stands and of notices."""
    op.create_table(
        "standing",
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "key", name="pk_standing"),
    )
    op.create_table(
        "notices",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_notices"),
        sa.UniqueConstraint("id", name="uq_notices_id"),
    )
    op.create_index("ix_notices_at", "notices", ["at"])
