"""The tables. Private to the store: a table class validates nothing and never doubles as a model.

`number` counts in the order of writing, so that "newest" stays right when a clock is set back.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, Column, DateTime, Dialect, MetaData
from sqlalchemy.orm import registry
from sqlalchemy.types import TypeDecorator
from sqlmodel import Field, SQLModel


class UtcTime(TypeDecorator[datetime]):
    """An aware time in UTC, also where the database keeps no time zone (SQLite)."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - given
        """To UTC. A time without a zone is refused: nobody could say what it means."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - given
        """From UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}


class Row(SQLModel, registry=registry(metadata=MetaData(naming_convention=NAMING))):
    """Base of the table classes, with a registry of its own."""


def columns_of(row: type[Row], *, without: Collection[str] = ("number",)) -> list[Column[Any]]:
    """The columns of a table but some: mostly those that the model has a member for."""
    return [column for column in Row.metadata.tables[str(row.__tablename__)].columns if column.name not in without]


class HoldRow(Row, table=True):
    """A room on hold."""

    __tablename__ = "holds"
    room: str = Field(primary_key=True)
    until: datetime = Field(sa_type=UtcTime)
    who: str
    why: str


class FleetRow(Row, table=True):
    """Facts of this database itself; always one row. `claims` counts how often it was claimed, `owner` did last."""

    __tablename__ = "fleet"
    id: int = Field(primary_key=True)
    epoch: int = Field(sa_type=BigInteger)
    controller: str | None = None
    claims: int = Field(sa_type=BigInteger)
    owner: str
    owned_since: datetime | None = Field(default=None, sa_type=UtcTime)


class VersionRow(Row, table=True):
    """A version of the desired state, in whole; the highest number is in force."""

    __tablename__ = "versions"
    number: int | None = Field(default=None, primary_key=True)
    sha256: str = Field(index=True)
    files: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))
    who: str
    at: datetime = Field(sa_type=UtcTime)
    note: str


class DeviceRow(Row, table=True):
    """A device of the inventory."""

    __tablename__ = "devices"
    id: str = Field(primary_key=True)
    first_seen: datetime = Field(sa_type=UtcTime)
    last_seen: datetime = Field(sa_type=UtcTime)
    online: bool
    route: str
    address: str
    identity: dict[str, Any] | None = Field(sa_column=Column(JSON(none_as_null=True)))
    description: dict[str, Any] | None = Field(sa_column=Column(JSON(none_as_null=True)))
    conflicts: list[str] = Field(sa_column=Column(JSON, nullable=False))
    trouble: str
    retired: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))


class SwapRow(Row, table=True):
    """A swap of one device for another."""

    __tablename__ = "swaps"
    number: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    positions: list[list[str]] = Field(sa_column=Column(JSON, nullable=False))
    old: str
    old_serial: str
    new: str
    new_serial: str
    who: str
    why: str
    began: datetime = Field(sa_type=UtcTime)
    state: str = Field(index=True)
    version_before: str
    writes: dict[str, dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    undoes: str
    words: str
    ended: datetime | None = Field(default=None, sa_type=UtcTime)


class WalkRow(Row, table=True):
    """A walk of a room; positions under test and what was heard are in plain data."""

    __tablename__ = "walks"
    number: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    room: str = Field(index=True)
    only_group: str
    who: str
    began: datetime = Field(sa_type=UtcTime)
    state: str = Field(index=True)
    level_db: float
    step_within_s: float
    as_baseline: bool
    positions: list[str] = Field(sa_column=Column(JSON, nullable=False))
    at: str
    now: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    steps: int
    heard: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    not_walked: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    words: str
    ended: datetime | None = Field(default=None, sa_type=UtcTime)


class StandingRow(Row, table=True):
    """What stands until something changes it: one value of a kind for each key, as plain data."""

    __tablename__ = "standing"
    kind: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class NoticeRow(Row, table=True):
    """A notice that was given."""

    __tablename__ = "notices"
    number: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    at: datetime = Field(sa_type=UtcTime, index=True)
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class SightingRow(Row, table=True):
    """A sighting. Its device need not be in the inventory."""

    __tablename__ = "sightings"
    number: int | None = Field(default=None, primary_key=True)
    device: str = Field(index=True)
    at: datetime = Field(sa_type=UtcTime)
    source: str
    address: str
    port: int
    model: str
    firmware: str
    link: str
    gone: bool


class ChangeRow(Row, table=True):
    """A change; `plan` holds its intent and checkpoint and is written once."""

    __tablename__ = "changes"
    number: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    plan: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    who: str
    why: str
    started: datetime = Field(sa_type=UtcTime)
    keep_within_s: float | None = None
    state: str = Field(index=True)
    trial_until: datetime | None = Field(default=None, sa_type=UtcTime)
    ended: datetime | None = Field(default=None, sa_type=UtcTime)
    outcomes: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    culprits: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))


class JournalRow(Row, table=True):
    """A journal entry of a change."""

    __tablename__ = "journal"
    change: str = Field(primary_key=True, foreign_key="changes.id")
    number: int = Field(primary_key=True)
    at: datetime = Field(sa_type=UtcTime)
    what: str
    device: str
    detail: str
    seal: str


class SealRow(Row, table=True):
    """What a change has to be like (see `seals`); `last_entry` is the number of its last journal entry."""

    __tablename__ = "seals"
    change: str = Field(primary_key=True, foreign_key="changes.id")
    begun: str
    standing: str
    last_entry: int | None = None
    journal: str


class SnapshotRow(Row, table=True):
    """A snapshot; `body` is canonical JSON, and `seal` has the hashes of its entries and the signature over them."""

    __tablename__ = "snapshots"
    number: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    at: datetime = Field(sa_type=UtcTime)
    sha256: str
    taken_by: str
    note: str
    devices: int
    body: bytes
    taken: str = Field(index=True)
    seal: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))


class WitnessRow(Row, table=True):
    """A witness of a snapshot, as plain data."""

    __tablename__ = "witnesses"
    number: int | None = Field(default=None, primary_key=True)
    snapshot: str = Field(index=True)
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class AuditRow(Row, table=True):
    """An entry of the audit log. Rows are only ever added, which triggers of the database hold to."""

    __tablename__ = "audit"
    number: int = Field(primary_key=True)
    at: datetime = Field(sa_type=UtcTime, index=True)
    who: str
    role: str
    what: str
    about: str
    why: str
    source: str
    result: str
    previous: str
    sha256: str
