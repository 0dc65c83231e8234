"""What work does to live settings and slots: old values in, new values out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from .abilities import Json, Model
from .condition import Live, Slot, recalled, stored
from .fitting import Work, fitted


def applied(model: Model, slots: tuple[Slot, ...], live: Live, work: Work) -> Live:
    """Live settings after the work: the recall first, then the settings. Slot contents are not written."""
    if work.recall is not None:
        live = recalled(live, slots[work.recall - 1])
    return with_settings(model, live, work.settings)


def with_settings(model: Model, live: Live, settings: Json) -> Live:
    """Live settings with those of the wire's `settings` in their place."""
    outputs, mutes = list(live.outputs), list(live.mutes)
    for asked in settings.get("outputs") or []:
        index = asked["output"] - 1
        outputs[index] = {**outputs[index], **fitted(model.outputs[index], asked)}
        if asked.get("mute") is True:
            mutes[index] |= {"controller"}
        elif asked.get("mute") is False:
            mutes[index] -= {"controller", "panel"}
    own = {name: settings.get(name) for name in ("input", "panel_locked", "power_up_slot")}
    return replace(
        live,
        outputs=tuple(outputs),
        mutes=tuple(mutes),
        **{name: value for name, value in own.items() if value is not None},
    )


def returned(restore: Live, now: Live) -> Live:
    """The restore point, with the mutes of panel, external contact and alarm as they are now."""
    mutes = tuple(
        (old & {"controller"}) | (new - {"controller"}) for old, new in zip(restore.mutes, now.mutes, strict=True)
    )
    return replace(restore, mutes=mutes)


def written(model: Model, slots: tuple[Slot, ...], contents: Iterable[Json]) -> tuple[Slot, ...]:
    """The slots after the stores, in order; what is not given keeps the contents it had."""
    result = list(slots)
    for asked in contents:
        slot = result[asked["slot"] - 1]
        outputs = list(slot.outputs)
        for item in asked["outputs"]:
            index = item["output"] - 1
            outputs[index] = {**outputs[index], **fitted(model.outputs[index], item)}
        result[asked["slot"] - 1] = replace(
            slot, name=asked["name"], input=asked.get("input") or slot.input, outputs=tuple(outputs)
        )
    return tuple(result)


def all_live(model: Model, slots: tuple[Slot, ...], live: Live, contents: Iterable[Json]) -> bool:
    """Whether every slot that these contents make equals the live settings, as far as slots store them."""
    now = tuple(stored(model, settings) for settings in live.outputs)
    for asked in contents:
        slot = written(model, slots, [asked])[asked["slot"] - 1]
        if slot.outputs != now or (model.stores_input and slot.input != live.input):
            return False
    return True
