"""Starting devices: in which order, so that no mains circuit carries many inrush currents at once; what forbids it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from fleet.model.plan import GuardHit
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Scope


def waves(devices: Collection[str], circuits: Mapping[str, str]) -> tuple[tuple[str, ...], ...]:
    """Devices in waves, one device of each circuit in a wave; those whose circuit nobody gave go with the first."""
    queues: dict[str, list[str]] = {}
    free = []
    for device in sorted(devices):
        if circuit := circuits.get(device, ""):
            queues.setdefault(circuit, []).append(device)
        else:
            free.append(device)
    depth = max((len(queue) for queue in queues.values()), default=1 if free else 0)
    found = [sorted(queue[n] for queue in queues.values() if n < len(queue)) for n in range(depth)]
    return tuple(tuple(sorted([*free, *wave]) if n == 0 else wave) for n, wave in enumerate(found))


def restart_guards(devices: Collection[str], scope: Scope, outlook: Outlook) -> tuple[GuardHit, ...]:
    """What speaks against a restart: life safety, a hold, a doubtful device, another room that would fall silent; and
    a guest, which asks."""
    return tuple(dict.fromkeys(hit for device in sorted(devices) for hit in _hits(device, scope, outlook)))


def _hits(device: str, scope: Scope, outlook: Outlook) -> Iterator[GuardHit]:
    for p in outlook.venue.positions_of(device):
        if p.life_safety:
            words = f"{p.name} serves life safety: this tool never restarts it"
            yield GuardHit(guard="life-safety", words=words, may_allow=False, device=device)
        if p.room in outlook.held:
            words = f"{p.room} is on hold: {outlook.held[p.room]}"
            yield GuardHit(guard="hold", words=words, may_allow=False, room=p.room)
        if p.room in outlook.guests:
            words = f"{p.room} has a guest: {outlook.guests[p.room]}"
            yield GuardHit(guard="guest", words=words, may_allow=True, room=p.room)
        if p.room not in {*scope.rooms, *scope.also}:
            words = f"a restart of {device} silences {p.room} too; name that room as well (--also {p.room})"
            yield GuardHit(guard="shared-device", words=words, may_allow=False, device=device, room=p.room)
    if device in outlook.conflicting:
        words = f"{device} is conflicting: {outlook.conflicting[device]}"
        yield GuardHit(guard="conflicting", words=words, may_allow=False, device=device)
