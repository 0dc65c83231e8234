"""Devices that have just powered up: nothing is judged of them until they have settled."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import datetime

from fleet.reconcile.drift_facts import SETTLE, SETTLE_AT_MOST, STILL, WANTED, Boot, Look, Sign, Watch
from fleet.reconcile.drift_places import judge_place
from fleet.reconcile.drift_turns import Sheet


def take_boot(sheet: Sheet, sign: Sign) -> None:
    """Begin to settle a device that is in another boot than before. The first boot known of it proves nothing."""
    if not sign.boot:
        return
    known = sheet.boots.get(sign.device)
    if known is None:
        sheet.boots[sign.device] = Boot(id=sign.boot)
    elif known.id != sign.boot:
        sheet.boots[sign.device] = Boot(id=sign.boot, settles=sheet.now, moved=sheet.now)


def judge_or_hold(sheet: Sheet, looks: Collection[Look]) -> None:
    """Judge the looks at devices that have settled; of the others the last one is held."""
    for look in looks:
        boot = sheet.boots.get(look.device)
        if boot is None or boot.settles is None:
            sheet.held.pop(look.place, None)
            judge_place(sheet, look)
            continue
        if look.reason in WANTED:  # by what it was before it powered up
            judge_place(sheet, look)
            continue
        earlier = sheet.held.get(look.place)
        if earlier is None:
            sheet.held[look.place] = look
            continue
        if earlier.differences != look.differences or earlier.muted != look.muted:
            sheet.boots[look.device] = replace(boot, moved=sheet.now)
        # Before it powered up is before what it does while it settles; a reason for differences stays one.
        at = earlier.at if earlier.differences else look.at
        sheet.held[look.place] = replace(look, before=earlier.before, reason=look.reason or earlier.reason, at=at)


def judge_settled(sheet: Sheet) -> None:
    """Judge what was held of the devices that have settled by now."""
    settled = {d for d, boot in sheet.boots.items() if boot.settles is not None and sheet.now >= _settled_at(boot)}
    for device in settled:
        sheet.boots[device] = Boot(id=sheet.boots[device].id)
    for place, look in list(sheet.held.items()):
        if look.device in settled:
            del sheet.held[place]
            judge_place(sheet, look)


def settling_due(watch: Watch) -> Iterator[datetime]:
    """When `judge_settled` has something to do."""
    yield from (_settled_at(boot) for boot in watch.boots.values() if boot.settles is not None)


def _settled_at(boot: Boot) -> datetime:
    assert boot.settles is not None
    assert boot.moved is not None
    return min(max(boot.settles + SETTLE, boot.moved + STILL), boot.settles + SETTLE_AT_MOST)
