"""Episodes coming and going: the sheet that one step of the watch is worked out on, and the damping of what flaps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from fleet.model.episode import Episode
from fleet.reconcile.drift_events import Calmed, DriftEvent, Flapping
from fleet.reconcile.drift_facts import CALM_AFTER, FLAPS, FLAPS_WITHIN, Boot, Facts, Gone, Look, Mark, Watch


@dataclass(slots=True)
class Sheet:
    """A watch while one step is worked out, and what is to be told."""

    now: datetime
    episodes: dict[str, Episode]
    accounted: dict[str, frozenset[Mark]]
    boots: dict[str, Boot]
    held: dict[str, Look]
    gone: dict[str, Gone]
    link_down: datetime | None
    link_up: datetime | None
    events: list[DriftEvent]

    @classmethod
    def of(cls, watch: Watch, facts: Facts) -> Sheet:
        """A copy to work on."""
        return cls(
            now=facts.now,
            episodes=dict(watch.episodes),
            accounted=dict(watch.accounted),
            boots=dict(watch.boots),
            held=dict(watch.held),
            gone=dict(watch.gone),
            link_down=watch.link_down,
            link_up=watch.link_up,
            events=[],
        )

    def watch(self) -> Watch:
        """What is held from here on."""
        return Watch(
            episodes=self.episodes,
            accounted=self.accounted,
            boots=self.boots,
            held=self.held,
            gone=self.gone,
            link_down=self.link_down,
            link_up=self.link_up,
        )

    def came(self, episode: Episode) -> bool:
        """Put an episode that began down; whether it is to be told of, which one that flaps is not."""
        past = self.episodes.get(episode.key)
        if past is not None and past.state == "flapping":
            begun = replace(episode, since=past.since, turns=past.turns, state="flapping", announced=past.announced)
            self.episodes[episode.key] = begun
            return False
        self.episodes[episode.key] = replace(episode, turns=past.turns if past else ())
        return True

    def went(self, episode: Episode) -> bool:
        """Put down that an episode ended; whether that is to be told. The end that makes it flap is told as such."""
        gone = replace(episode, moved=self.now, present=False)
        if episode.state == "flapping":
            self.episodes[episode.key] = gone
            return False
        turns = (*_recent(episode.turns, self.now), self.now)
        if len(turns) < FLAPS:
            self.episodes[episode.key] = replace(gone, state="over", turns=turns)
            return True
        self.episodes[episode.key] = replace(gone, state="flapping", turns=turns)
        self.events.append(Flapping(episode=self.episodes[episode.key]))
        return False

    def calm(self) -> None:
        """End what has been quiet for long: flapping episodes are told of, and those that are over are forgotten."""
        for key, episode in list(self.episodes.items()):
            if episode.state == "flapping" and self.now >= episode.moved + CALM_AFTER:
                calm = replace(episode, state="open" if episode.present else "over", turns=(), worst=episode.grade)
                self.episodes[key] = calm
                self.events.append(Calmed(episode=calm))
            if self.episodes[key].state == "over" and not _recent(self.episodes[key].turns, self.now):
                del self.episodes[key]


def turns_due(watch: Watch) -> Iterator[datetime]:
    """When `calm` has something to do."""
    for episode in watch.episodes.values():
        if episode.state == "flapping":
            yield episode.moved + CALM_AFTER
        elif episode.state == "over":
            yield max(episode.turns) + FLAPS_WITHIN + timedelta(microseconds=1) if episode.turns else episode.moved


def _recent(turns: tuple[datetime, ...], now: datetime) -> tuple[datetime, ...]:
    return tuple(turn for turn in turns if now - turn <= FLAPS_WITHIN)
