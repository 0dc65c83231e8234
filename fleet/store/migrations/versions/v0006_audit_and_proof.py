"""The audit log, seals of snapshots with their signatures, and witnesses of snapshots.

Nothing in this tool changes or removes an entry of the log; triggers refuse it to whoever else tries by SQL.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

REFUSAL = "the audit log is only ever added to"


def upgrade() -> None:
    """Add the tables of the audit log and of witnesses, and what snapshots of format 2 have besides."""
    op.create_table(
        "audit",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("result", sa.String(), nullable=False),
        sa.Column("previous", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
    )
    op.create_index("ix_audit_at", "audit", ["at"])
    op.create_table(
        "witnesses",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("snapshot", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_witnesses"),
    )
    op.create_index("ix_witnesses_snapshot", "witnesses", ["snapshot"])
    op.add_column("snapshots", sa.Column("taken", sa.String(), nullable=False, server_default="by hand"))
    op.add_column("snapshots", sa.Column("seal", sa.JSON(), nullable=True))
    op.create_index("ix_snapshots_taken", "snapshots", ["taken"])
    if op.get_bind().dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_no_{act.lower()} BEFORE {act} ON audit "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
    else:
        op.execute(
            "CREATE FUNCTION audit_refuse() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()"
        )
