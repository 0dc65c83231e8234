"""Changes on trial, claims, and seals.

What is stored so far gets its seals here: it is taken as it is found. The formula stands here once more, since
`seals.py` may change later and this may not.
"""

import hashlib
import json
from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

TIME = sa.DateTime(timezone=True)
changes = sa.table(
    "changes",
    sa.column("number", sa.Integer()),
    sa.column("id", sa.String()),
    sa.column("plan", sa.JSON()),
    sa.column("who", sa.String()),
    sa.column("why", sa.String()),
    sa.column("started", TIME),
    sa.column("state", sa.String()),
    sa.column("ended", TIME),
    sa.column("outcomes", sa.JSON()),
    sa.column("culprits", sa.JSON()),
)
journal = sa.table(
    "journal",
    sa.column("change", sa.String()),
    sa.column("number", sa.Integer()),
    sa.column("at", TIME),
    sa.column("what", sa.String()),
    sa.column("device", sa.String()),
    sa.column("detail", sa.String()),
    sa.column("seal", sa.String()),
)


def upgrade() -> None:
    """Add columns and the table of seals, and seal what there is."""
    op.add_column("changes", sa.Column("keep_within_s", sa.Float(), nullable=True))
    op.add_column("changes", sa.Column("trial_until", TIME, nullable=True))
    op.add_column("journal", sa.Column("seal", sa.String(), nullable=False, server_default=""))
    op.add_column("fleet", sa.Column("claims", sa.BigInteger(), nullable=False, server_default="0"))
    op.add_column("fleet", sa.Column("owner", sa.String(), nullable=False, server_default=""))
    op.add_column("fleet", sa.Column("owned_since", TIME, nullable=True))
    seals = op.create_table(
        "seals",
        sa.Column("change", sa.String(), nullable=False),
        sa.Column("begun", sa.String(), nullable=False),
        sa.Column("standing", sa.String(), nullable=False),
        sa.Column("last_entry", sa.Integer(), nullable=True),
        sa.Column("journal", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["change"], ["changes.id"], name="fk_seals_change"),
        sa.PrimaryKeyConstraint("change", name="pk_seals"),
    )
    connection = op.get_bind()
    for number in connection.execute(sa.select(changes.c.number)).scalars().all():  # a plan may be large
        row = connection.execute(sa.select(changes).where(changes.c.number == number)).one()
        begun = _seal("begun", row.id, row.plan, row.who, row.why, row.started, None)
        standing = _seal("standing", row.id, row.state, None, row.ended, row.outcomes, row.culprits)
        last, end = _seal_journal(connection, row.id, begun)
        sealed = {"change": row.id, "begun": begun, "standing": standing, "last_entry": last, "journal": end}
        connection.execute(sa.insert(seals).values(sealed))


def _seal_journal(connection: sa.Connection, change: str, seal: str) -> tuple[int | None, str]:
    c, last = journal.c, None
    columns = (c.number, c.at, c.what, c.device, c.detail)
    entries = connection.execute(sa.select(*columns).where(c.change == change).order_by(c.number)).all()
    for last, *rest in entries:
        seal = _seal(seal, change, last, *rest)
        connection.execute(sa.update(journal).where(c.change == change, c.number == last).values(seal=seal))
    return last, seal


def _seal(before: str, *values: object) -> str:
    text = json.dumps(
        [before, *map(_plain, values)], sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return (value if value.tzinfo else value.replace(tzinfo=UTC)).astimezone(UTC).isoformat()
    return float(value) if isinstance(value, int) else value
