"""Devices that are gone, and the link to all of them: when they are missed, which are missed together, who is back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from fleet.model.episode import Episode
from fleet.reconcile.drift_events import Back, LinkBack, LinkLost, Missing
from fleet.reconcile.drift_facts import AFTER_LINK, GATHER, LINK_AFTER, MISSED_AFTER, TOGETHER, Facts, Gone, Sign, Watch
from fleet.reconcile.drift_turns import Sheet

LINK = "link"


def take_link(sheet: Sheet, trouble: str) -> None:
    """The link as it is now. While it is down no device is missing, since nothing is known of any."""
    if not trouble:
        if sheet.link_down is not None:
            sheet.link_down, sheet.link_up = None, sheet.now
        episode = sheet.episodes.get(LINK)
        if episode is not None and episode.present and sheet.went(episode):
            sheet.events.append(LinkBack(episode=sheet.episodes[LINK]))
        return
    if sheet.link_down is None:
        sheet.link_down = sheet.now
    sheet.gone.clear()
    known = sheet.episodes.get(LINK)
    if (known is None or not known.present) and sheet.now >= sheet.link_down + LINK_AFTER:
        lost = Episode(kind="link", since=sheet.link_down, moved=sheet.now, words=trouble)
        if sheet.came(lost):
            sheet.events.append(LinkLost(episode=sheet.episodes[LINK]))


def take_presence(sheet: Sheet, sign: Sign) -> None:
    """Whether a device is there now."""
    if sheet.link_down is not None:
        return
    episode = sheet.episodes.get(f"missing {sign.device}")
    if sign.online:
        sheet.gone.pop(sign.device, None)
        if episode is not None and episode.present and sheet.went(episode):
            sheet.events.append(Back(episode=sheet.episodes[episode.key]))
    elif sign.device not in sheet.gone and (episode is None or not episode.present):
        due = sheet.now + MISSED_AFTER
        if sheet.link_up is not None:
            due = max(due, sheet.link_up + AFTER_LINK)
        sheet.gone[sign.device] = Gone(sign=sign, at=sheet.now, due=due)


def miss(sheet: Sheet, facts: Facts) -> None:
    """Tell of the devices that are missed by now, those that went together as one."""
    while group := _ripe(_missable(sheet, facts.off), sheet.now):
        told = []
        for gone in group:
            del sheet.gone[gone.sign.device]
            if sheet.came(_episode(gone, sheet.now)):
                told.append(sheet.episodes[f"missing {gone.sign.device}"])
        if told:
            sheet.events.append(Missing(episodes=tuple(told)))


def missing_due(watch: Watch) -> Iterator[datetime]:
    """When `miss` or `take_link` may have something to do."""
    yield from (gone.due for gone in watch.gone.values())
    yield from (gone.due + GATHER for gone in watch.gone.values())
    if watch.link_down is not None and LINK not in watch.episodes:
        yield watch.link_down + LINK_AFTER


def _missable(sheet: Sheet, off: frozenset[str]) -> list[Gone]:
    """Devices that are gone and not expected to be, the longest gone first: those of two rooms are with either."""
    missable = [g for g in sheet.gone.values() if not (g.sign.rooms and off.issuperset(g.sign.rooms))]
    return sorted(missable, key=lambda g: (g.at, g.sign.device))


def _ripe(missable: Sequence[Gone], now: datetime) -> Sequence[Gone]:
    """The devices that went together with the first one, once no other can join them."""
    if not missable:
        return ()
    together = [gone for gone in missable if gone.at <= missable[0].at + TOGETHER]
    return together if now >= max(gone.due for gone in together) + GATHER else ()


def _episode(gone: Gone, now: datetime) -> Episode:
    sign = gone.sign
    return Episode(
        kind="missing",
        since=min(sign.last_seen, gone.at),
        moved=now,
        rooms=sign.rooms,
        positions=sign.positions,
        device=sign.device,
        words=f"{sign.device} is missing",
    )
