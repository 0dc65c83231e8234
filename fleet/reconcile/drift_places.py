"""One position as it was just compared: what of it is drift, and what is accounted for."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from fleet.model.difference import Difference
from fleet.model.episode import Episode, EpisodeKind
from fleet.reconcile.brief import in_brief, said_of
from fleet.reconcile.causes import probable_cause
from fleet.reconcile.drift_events import Drifted, Over, Silenced
from fleet.reconcile.drift_facts import WANTED, Look, Mark
from fleet.reconcile.drift_turns import Sheet

MUTED = "muted"


def judge_place(sheet: Sheet, look: Look) -> None:
    """Set a look beside what is known of its place."""
    _drift(sheet, look)
    _muted(sheet, look)


def _drift(sheet: Sheet, look: Look) -> None:
    episode = _standing(sheet, "drift", look)
    drifting = frozenset(episode.settings) if episode else frozenset[str]()
    marks = frozenset(_mark(d) for d in look.differences)
    known = sheet.accounted.get(look.place, frozenset())
    if look.reason:  # what drifted before goes on being drift
        known = known | {mark for mark in marks if _setting(mark) not in drifting}
    _account(sheet, look, (known & marks) | {mark for mark in known if mark[0] == MUTED})
    left = [d for d in look.differences if _mark(d) not in known]
    if left:
        _differs(sheet, look, left, episode)
    elif episode is not None and sheet.went(episode):
        sheet.events.append(Over(episode=sheet.episodes[episode.key], reason=look.reason))


def _differs(sheet: Sheet, look: Look, left: Collection[Difference], episode: Episode | None) -> None:
    worst = max(left, key=lambda d: d.grade)
    settings = tuple(dict.fromkeys(_setting(_mark(d)) for d in left))
    words = in_brief([said_of(d) for d in left])
    if episode is None:
        begun = replace(_begun(sheet, "drift", look, words), grade=worst.grade, worst=worst.grade, settings=settings)
        if look.now is not None:
            cause = probable_cause(look.before, look.now)
            begun = replace(begun, cause=cause.words)
        if sheet.came(begun):
            sheet.events.append(Drifted(episode=sheet.episodes[begun.key]))
        return
    told = episode.worst or worst.grade
    grown = replace(episode, grade=worst.grade, worst=max(told, worst.grade), settings=settings, words=words)
    sheet.episodes[episode.key] = grown
    if worst.grade > told and episode.state == "open":
        sheet.events.append(Drifted(episode=grown, worse=True))


def _muted(sheet: Sheet, look: Look) -> None:
    episode = _standing(sheet, "muted", look)
    mark: Mark = (MUTED, "", look.muted)
    known = sheet.accounted.get(look.place, frozenset())
    if not look.muted:
        _account(sheet, look, frozenset(m for m in known if m[0] != MUTED))
        if episode is not None and sheet.went(episode):
            sheet.events.append(Over(episode=sheet.episodes[episode.key]))
    elif episode is not None:
        sheet.episodes[episode.key] = replace(episode, words=look.muted)
    elif look.reason == "first" or look.reason in WANTED:
        _account(sheet, look, frozenset(m for m in known if m[0] != MUTED) | {mark})
    elif mark not in known:
        begun = _begun(sheet, "muted", look, look.muted)
        if sheet.came(begun):
            sheet.events.append(Silenced(episode=sheet.episodes[begun.key]))


def _standing(sheet: Sheet, kind: EpisodeKind, look: Look) -> Episode | None:
    """The episode of a place that is not over, and present where it flaps."""
    episode = sheet.episodes.get(f"{kind} {look.place}")
    return episode if episode is not None and episode.present else None


def _begun(sheet: Sheet, kind: EpisodeKind, look: Look, words: str) -> Episode:
    return Episode(
        kind=kind,
        since=look.at,
        moved=sheet.now,
        rooms=(look.room,),
        positions=(look.place,),
        device=look.device,
        words=words,
    )


def _account(sheet: Sheet, look: Look, marks: frozenset[Mark]) -> None:
    if marks:
        sheet.accounted[look.place] = marks
    else:
        sheet.accounted.pop(look.place, None)


def _mark(difference: Difference) -> Mark:
    return difference.subject, difference.setting, difference.found


def _setting(mark: Mark) -> str:
    return f"{mark[0]} {mark[1]}"
