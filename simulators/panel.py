"""What hands and contacts do to a device without the network: the front panel, an external mute, an alarm mute."""

from __future__ import annotations

from dataclasses import replace

from .abilities import Json
from .condition import Live, recalled
from .effects import with_settings
from .fitting import Work, check_ranges, check_supported
from .request import Refused, check_settings
from .running import Running

CONTACTS = ("external", "alarm")


def press(running: Running, event: Json) -> None:
    """Do one event; ValueError says why it cannot be done.

    An event is `{"recall": slot}`, `{"store": slot}` (what is live, and the slot is active from then on),
    `{"settings": …as on the wire…}`, `{"set": …settings of an output…, "output": n}`
    or `{"mute": bool, "cause": "panel" | "external" | "alarm", "output": n}`; without `output` it concerns all.
    """
    cause, output = event.get("cause", "panel"), event.get("output", 1)
    if cause not in ("panel", *CONTACTS):
        raise ValueError(f"there is no cause {cause!r}")
    if not 1 <= output <= len(running.live.outputs):
        raise ValueError(f"there is no output {output}")
    if cause == "panel" and running.live.panel_locked and not _unlocks(event):
        raise ValueError("the panel is locked")
    if "mute" in event:
        _mute(running, event["mute"], cause, event.get("output"))
        return
    if "store" in event:
        _store(running, event["store"])
        return
    work = Work(event.get("recall"), _settings(running, event), ())
    try:
        check_settings(work.settings, len(running.model.outputs))
        check_supported(running.model, work)
        check_ranges(running.model, work)
    except Refused as refusal:
        raise ValueError(refusal.text) from refusal
    if work.recall is not None:
        slot = running.kept.slots[work.recall - 1]
        running.disturb(lambda live: recalled(live, slot), "panel")
    else:
        running.disturb(lambda live: with_settings(running.model, live, work.settings), "panel")


def _store(running: Running, number: int) -> None:
    if not 1 <= number <= running.model.slots.count:
        raise ValueError(f"there is no slot {number}")
    if number in running.model.slots.factory:
        raise ValueError(f"slot {number} is the factory's")
    running.store_by_hand(number)


def _unlocks(event: Json) -> bool:
    return bool((event.get("settings") or {}).get("panel_locked") is False)


def _settings(running: Running, event: Json) -> Json:
    if "set" not in event:
        return event.get("settings") or {}
    numbers = [event["output"]] if "output" in event else range(1, len(running.live.outputs) + 1)
    return {"outputs": [{**event["set"], "output": number} for number in numbers]}


def _mute(running: Running, muted: bool, cause: str, output: int | None) -> None:
    if cause == "alarm" and not muted and "stuck_alarm_mute" in running.faults:
        return
    # A hand at the panel that unmutes wants sound: it lifts the controller's mute as well.
    lifted = {cause} if cause in CONTACTS else {"panel", "controller"}

    def switched(live: Live) -> Live:
        mutes = tuple(
            causes if output not in (None, number) else (causes | {cause} if muted else causes - lifted)
            for number, causes in enumerate(live.mutes, start=1)
        )
        return replace(live, mutes=mutes)

    running.disturb(switched, cause if cause == "panel" else "external")
