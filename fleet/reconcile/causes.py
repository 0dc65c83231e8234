"""The probable cause of what changed in a device, from two of its reports. Pure.

Evidence counts in this order: who it is, its firmware, its boots, its mute causes, the contents of its slots and its
live settings against them. Its own hint says no more than who did it, and is believed where nothing speaks against it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from fleet.model.cause import NOT_KNOWN, Cause
from fleet.model.names import shown
from fleet.model.settings import DeviceSettings
from fleet.model.state import Reported
from fleet.reconcile.causes_within import altered, mutes, within
from fleet.reconcile.edited import edited
from fleet.reconcile.recalled import after_recall

BACK = "came back from a power cut or restart"


def probable_cause(before: Reported | None, now: Reported) -> Cause:
    """What probably happened between two reports of a device, all in one; `kind` is that of the strongest evidence.

    Changes of this tool have to be kept out by whoever asks. Without `before` only the present state can tell.
    """
    causes = probable_causes(before, now)
    if not causes:
        return NOT_KNOWN
    words = ", and ".join(cause.words for cause in causes)
    return replace(causes[0], words=words, certain=all(cause.certain for cause in causes))


def probable_causes(before: Reported | None, now: Reported) -> tuple[Cause, ...]:
    """Everything that probably happened between two reports, the strongest evidence first; empty where nothing tells.

    A restart that changed nothing comes last.
    """
    if before is None:
        return tuple(_of_one_report(now))
    if other := _another_box(before, now):
        return (other,)
    firmware = _firmware(before, now)
    if before.state.boot_id == now.state.boot_id:
        return (*firmware, *within(before, now))
    back, stood = _booted(before, now)
    happened = within(stood, now)
    if back.kind == "restart":
        return (*firmware, *happened, back)
    return (*firmware, back, *happened)


def _another_box(before: Reported, now: Reported) -> Cause | None:
    was, is_ = before.state.serial, now.state.serial
    if was == is_:
        was, is_ = before.description.serial, now.description.serial
    if was != is_:
        words = f"is another box: serial {shown(is_)} instead of {shown(was)}"
        return Cause(kind="replaced", words=words, certain=True)
    old_mac, mac = before.description.mac.lower(), now.description.mac.lower()
    if old_mac and mac and old_mac != mac:
        words = f"is another box or has another network card: MAC address {shown(mac)} instead of {shown(old_mac)}"
        return Cause(kind="replaced", words=words, certain=True)
    old, new = before.state.boot_count, now.state.boot_count
    if new < old or (new == old and before.state.boot_id != now.state.boot_id):
        words = f"may be another box with the same serial: it counted {old} boots and now counts {new}"
        return Cause(kind="replaced", words=words)
    return None


def _firmware(before: Reported, now: Reported) -> tuple[Cause, ...]:
    was, is_ = before.description.firmware, now.description.firmware
    if was == is_ or not (was and is_):
        return ()
    return (Cause(kind="firmware", words=f"has firmware {shown(is_)} instead of {shown(was)}", certain=True),)


def _booted(before: Reported, now: Reported) -> tuple[Cause, Reported]:
    """How it came back, and how it stood then, before anything else was done to it."""
    untouched = now.state.revision == 1
    default = _default_slot(before)
    if default is not None and (not untouched or now.state.active_slot == default):
        live = after_recall(replace(now, state=before.state), default)
        cause = Cause(kind="default slot", words=f"{BACK} in slot {default}", certain=untouched)
        return cause, _standing(before, default, live)
    as_it_was = before.state.active_slot == now.state.active_slot and not altered(now, before.state.live)
    if untouched and not as_it_was:
        return _came_back_otherwise(before, now), _standing(before, now.state.active_slot, now.state.live)
    # What an open change had set is lost with the boot, and what stood before it was not reported.
    live = DeviceSettings() if before.state.change else before.state.live
    words = f"{BACK} with its last state"
    return Cause(kind="restart", words=words, certain=True), _standing(before, before.state.active_slot, live)


def _standing(before: Reported, slot: int | None, live: DeviceSettings) -> Reported:
    """The device as it stood right after it came back; settings that are not given are not known."""
    return replace(before, state=replace(before.state, active_slot=slot, live=live, change=None))


def _came_back_otherwise(before: Reported, now: Reported) -> Cause:
    """Nobody touched it since, so that it was changed unseen before the restart, or by it."""
    if before.state.change:
        how = "without a change that was not kept"
    elif edited(now) is False:
        how = f"with other settings than before: those of slot {now.state.active_slot}"
    else:
        how = "with other settings than before"
    return Cause(kind="restart", words=f"{BACK} {how}", certain=True)


def _default_slot(reported: Reported) -> int | None:
    """The slot that a device comes back in; `None` where it keeps its last state."""
    power_up = reported.description.power_up
    if power_up.behaviour == "last_state":
        return None
    chosen = reported.state.live.power_up_slot if power_up.slot_settable else None
    return chosen or power_up.slot


def _of_one_report(now: Reported) -> Iterator[Cause]:
    yield from mutes(replace(now, state=replace(now.state, mute_causes={})), now)
    slot = _default_slot(now)
    if edited(now):
        yield Cause(kind="edited", words=f"edited since slot {now.state.active_slot} was recalled")
    elif now.state.revision == 1 and slot is not None and now.state.active_slot == slot:
        yield Cause(kind="default slot", words=f"{BACK} in slot {slot}")
