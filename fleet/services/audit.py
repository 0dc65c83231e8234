"""The audit log as a service: acts are written down one after another, read, and followed from end to end."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fleet.errors import FleetError
from fleet.model.audit import Act, AuditEntry, AuditHead, Chain, Kept
from fleet.model.change import ChangeRecord, ChangeState
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

AT_ONCE: Final = 1000
DAEMON: Final = "daemon"
"""Role and source of what the daemon does by itself, and of how changes end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What following the log brought to light: how far it is right, and the first thing that is wrong with it."""

    head: AuditHead
    fault: str
    held_against: tuple[str, ...]
    """Whose heads the log was held against, in words."""


class Audit:
    """Writes the audit log. What cannot be written down is counted, and told by an entry as soon as that works."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._lost = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def record(self, act: Act) -> None:
        """Write an act down; durable when this returns, or told of in the daemon's log where it cannot be."""
        acts = [(self._clock(), act.bounded())]
        lost, self._lost = self._lost, 0
        if lost:
            acts.insert(0, (self._clock(), _lost_act(lost)))
        try:
            await self._store.add_to_audit(acts)
        except FleetError as error:
            self._lost += lost + 1
            log.error("not in the audit log: %s by %s (%s): %s", act.what, act.who, act.result, error)  # noqa: TRY400

    def note(self, act: Act) -> None:
        """Write an act down soon, after all that was noted or recorded before it."""
        task = asyncio.create_task(self.record(act), name="audit")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def changed(self, record: ChangeRecord) -> None:
        """Note how a change ended, whoever began it: so what the daemon begins by itself is in the log, too."""
        if record.state.ended:
            self.note(_end_of(record))

    async def head(self) -> AuditHead:
        """How long the log is, and the hash of its last entry, with all that was noted so far."""
        await self.settled()
        return await self._store.audit_head()

    async def entries(
        self, limit: int = 50, *, before: int | None = None, who: str | None = None, since: datetime | None = None
    ) -> tuple[AuditEntry, ...]:
        """Entries, last first; only those with a number below `before`."""
        await self.settled()
        return await self._store.audit(limit, below=before, who=who, since=since)

    async def verify(self, kept: Sequence[Kept] = ()) -> Followed:
        """Follow the log from its first entry, and hold it against heads that somebody kept."""
        await self.settled()
        chain, last = Chain(kept=kept), 0
        while entries := await self._store.audit_above(last, AT_ONCE):
            if not all(chain.take(entry) for entry in entries):
                break
            last = entries[-1].number
        chain.end()
        return Followed(
            head=AuditHead(length=chain.length, sha256=chain.sha256),
            fault=chain.fault,
            held_against=tuple(one.whose for one in kept),
        )

    async def settled(self) -> None:
        """Wait until all that was noted is written down."""
        while self._tasks:
            await asyncio.wait(self._tasks)


def _end_of(record: ChangeRecord) -> Act:
    words = f"{record.plan.kind} {record.plan.scope}"
    well = record.state is ChangeState.KEPT or (record.plan.kind == "walk" and record.state is ChangeState.ROLLED_BACK)
    culprits = ", ".join(f"{device} {why}".strip() for device, why in record.culprits.items())
    ended = f"{record.state}: {culprits}" if culprits else str(record.state)
    return Act(
        who=record.who,
        role=DAEMON,
        what=f"end of change {words}",
        about=record.id,
        why=record.why,
        source=DAEMON,
        result=f"done: {ended}" if well else f"failed: {ended}",
    )


def _lost_act(count: int) -> Act:
    what = "acts that could not be written down" if count > 1 else "an act that could not be written down"
    return Act(who=DAEMON, role=DAEMON, what=what, source=DAEMON, result=f"failed: {count} missing before this entry")
