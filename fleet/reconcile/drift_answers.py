"""Devices that are there by their presence and do not answer: when that is told, and when they answer again."""

from __future__ import annotations

from fleet.model.episode import Episode
from fleet.reconcile.drift_events import Answers, Unreachable
from fleet.reconcile.drift_facts import AFTER_LINK, Facts, Sign
from fleet.reconcile.drift_turns import Sheet


def take_answers(sheet: Sheet, sign: Sign, facts: Facts) -> None:
    """Whether a device answers now. One that went away altogether is missing, and that is told instead."""
    if sheet.link_down is not None:
        return
    episode = sheet.episodes.get(f"unreachable {sign.device}")
    present = episode is not None and episode.present
    if sign.online and sign.silent_since is not None:
        if not present and not _excused(sheet, sign, facts):
            _begin(sheet, sign)
    elif episode is not None and present and sheet.went(episode):
        sheet.events.append(Answers(episode=sheet.episodes[episode.key], gone=not sign.online))


def _excused(sheet: Sheet, sign: Sign, facts: Facts) -> bool:
    """Whether it may be silent: nobody asks the boxes of a room that is off, or that have just lost the broker."""
    off = bool(sign.rooms) and facts.off.issuperset(sign.rooms)
    return off or (sheet.link_up is not None and sheet.now < sheet.link_up + AFTER_LINK)


def _begin(sheet: Sheet, sign: Sign) -> None:
    assert sign.silent_since is not None
    begun = Episode(
        kind="unreachable",
        since=sign.silent_since,
        moved=sheet.now,
        rooms=sign.rooms,
        positions=sign.positions,
        device=sign.device,
        words=f"{sign.device} does not answer",
        last_seen=sign.last_seen,
    )
    if sheet.came(begun):
        sheet.events.append(Unreachable(episode=sheet.episodes[begun.key]))
