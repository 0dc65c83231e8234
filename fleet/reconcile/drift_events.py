"""What the drift watch tells: what began by itself, what is over, and what comes and goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from fleet.model.episode import Episode
from fleet.reconcile.drift_facts import Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Drifted:
    """A position differs by itself, or differs worse than was told (`worse`)."""

    episode: Episode
    worse: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Silenced:
    """An alarm or an external contact mutes a position that should sound."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class Over:
    """A position is as wanted again, or is not muted any more; `reason` tells whose doing that was, if ours."""

    episode: Episode
    reason: Reason = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """Devices are gone, together where there are several; one episode each."""

    episodes: tuple[Episode, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Back:
    """A missing device is there again."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreachable:
    """A device is there by its presence and does not answer: what is known of it may be old."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """A device that did not answer does again, or is `gone` altogether: then that it is missing is told instead."""

    episode: Episode
    gone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Flapping:
    """It comes and goes: nothing more is told of it until it is calm."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class Calmed:
    """It has stopped coming and going; `present` in the episode tells which way."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLost:
    """Nothing is known of any device: the link to the broker is down."""

    episode: Episode


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkBack:
    """The link to the broker is up again."""

    episode: Episode


DriftEvent: TypeAlias = (
    Drifted | Silenced | Over | Missing | Back | Unreachable | Answers | Flapping | Calmed | LinkLost | LinkBack
)
