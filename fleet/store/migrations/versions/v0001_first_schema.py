"""The first schema. It stands on its own: tables.py may change later, this may not."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Create all tables, and the one row of `fleet`."""
    fleet = op.create_table(
        "fleet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("controller", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_fleet"),
    )
    op.bulk_insert(fleet, [{"id": 1, "epoch": 1, "controller": None}])
    op.create_table(
        "versions",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("files", sa.JSON(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_versions"),
    )
    op.create_index("ix_versions_sha256", "versions", ["sha256"])
    op.create_table(
        "holds",
        sa.Column("room", sa.String(), nullable=False),
        sa.Column("until", TIME, nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("room", name="pk_holds"),
    )
    _create_inventory()
    _create_changes()
    op.create_table(
        "snapshots",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("taken_by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("devices", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_snapshots"),
        sa.UniqueConstraint("id", name="uq_snapshots_id"),
    )


def _create_inventory() -> None:
    op.create_table(
        "devices",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("first_seen", TIME, nullable=False),
        sa.Column("last_seen", TIME, nullable=False),
        sa.Column("online", sa.Boolean(), nullable=False),
        sa.Column("route", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("identity", sa.JSON(), nullable=True),
        sa.Column("description", sa.JSON(), nullable=True),
        sa.Column("conflicts", sa.JSON(), nullable=False),
        sa.Column("trouble", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_devices"),
    )
    op.create_table(
        "sightings",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("port", sa.Integer(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("link", sa.String(), nullable=False),
        sa.Column("gone", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_sightings"),
    )
    op.create_index("ix_sightings_device", "sightings", ["device"])


def _create_changes() -> None:
    op.create_table(
        "changes",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("started", TIME, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("ended", TIME, nullable=True),
        sa.Column("outcomes", sa.JSON(), nullable=False),
        sa.Column("culprits", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_changes"),
        sa.UniqueConstraint("id", name="uq_changes_id"),
    )
    op.create_index("ix_changes_state", "changes", ["state"])
    op.create_table(
        "journal",
        sa.Column("change", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["change"], ["changes.id"], name="fk_journal_change"),
        sa.PrimaryKeyConstraint("change", "number", name="pk_journal"),
    )
