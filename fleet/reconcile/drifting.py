"""The drift watch as a pure state machine: what is held and what is so now, to what is held then and what to tell.

Drift is what began by itself: not what stood at the first look, nor what a new version or mode makes, nor what a
change of ours leaves, nor what a guest does. Slight differences and agreed ones never count.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime

from fleet.model.episode import Episode
from fleet.reconcile.drift_answers import take_answers
from fleet.reconcile.drift_events import DriftEvent, Over
from fleet.reconcile.drift_facts import Facts, Mark, Watch
from fleet.reconcile.drift_missing import miss, missing_due, take_link, take_presence
from fleet.reconcile.drift_settling import judge_or_hold, judge_settled, settling_due, take_boot
from fleet.reconcile.drift_turns import Sheet, turns_due


def watch_on(watch: Watch, facts: Facts) -> tuple[Watch, tuple[DriftEvent, ...]]:
    """Take the facts of a moment, which is not before the last one."""
    sheet = Sheet.of(watch, facts)
    take_link(sheet, facts.link_trouble)
    for sign in facts.signs:
        take_boot(sheet, sign)
        take_presence(sheet, sign)
        take_answers(sheet, sign, facts)
    judge_or_hold(sheet, facts.looks)
    judge_settled(sheet)
    miss(sheet, facts)
    sheet.calm()
    return sheet.watch(), tuple(sheet.events)


def due(watch: Watch) -> datetime | None:
    """When something is to be told or forgotten though nothing new is heard; `None` for never."""
    return min((*turns_due(watch), *settling_due(watch), *missing_due(watch)), default=None)


def taken_up(episodes: Collection[Episode], accounted: Mapping[str, frozenset[Mark]], now: datetime) -> Watch:
    """A watch that goes on from what a stopped daemon left. Devices have the time to come back as after a lost link."""
    return Watch(episodes={e.key: e for e in episodes}, accounted=accounted, link_up=now)


def only(
    watch: Watch, places: Collection[str], devices: Collection[str], now: datetime
) -> tuple[Watch, tuple[DriftEvent, ...]]:
    """What is left of a watch where only these places (`room/position`) and devices are in the files any more."""
    ended = {
        key: episode
        for key, episode in watch.episodes.items()
        if (episode.kind in ("missing", "unreachable") and episode.device not in devices)
        or (episode.kind in ("drift", "muted") and episode.positions[0] not in places)
    }
    events = tuple(
        Over(episode=replace(episode, moved=now, present=False, state="over"), reason="version")
        for episode in ended.values()
        if episode.state == "open" and episode.announced
    )
    left = replace(
        watch,
        episodes={key: episode for key, episode in watch.episodes.items() if key not in ended},
        accounted={place: marks for place, marks in watch.accounted.items() if place in places},
        boots={device: boot for device, boot in watch.boots.items() if device in devices},
        held={place: look for place, look in watch.held.items() if place in places},
        gone={device: gone for device, gone in watch.gone.items() if device in devices},
    )
    return left, events
