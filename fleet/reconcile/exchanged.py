"""Boxes that look exchanged: each holds what the other should. Pure.

Two devices of one model are suspected where what one of them holds (live, in the house-curve slot, or both) differs
from its own desired settings and not from the other's. Devices that are to be alike cannot be told apart by what they
hold: of these it is only said that one of them is meant.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

from fleet.model.difference import Comparison, Note, Subject
from fleet.model.names import Id
from fleet.model.settings import OutputSettings
from fleet.reconcile.compare import compare
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.wanted import WantedDevice

MOST: Final = 12
"""With more devices of one model that differ, it is no exchange of two, and comparing all pairs would take long."""
SILENT: Final = frozenset({"mute", "slot"})
"""Settings that say nothing of which box it is."""
Sure = Literal["hardly to be doubted", "likely", "possible"]
Held = tuple[Id, Id, Subject]
"""The first device holds what the second should, in this subject."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """Two devices that look exchanged, how sure that is, and by what, in words.

    `or_else` are devices that are to be like `second`: the contents cannot tell which of them it is.
    """

    first: Id
    second: Id
    sure: Sure
    because: str
    or_else: tuple[Id, ...] = ()

    @property
    def words(self) -> str:
        """The suspicion in a sentence."""
        text = f"{self.first} and {self.second} look exchanged ({self.sure}): {self.because}"
        if self.or_else:
            text += f"; it may be {' or '.join(self.or_else)} instead, which is to be alike: contents cannot tell"
        return text


def exchanged(outlook: Outlook, compared: Comparison) -> tuple[Suspicion, ...]:
    """Devices that look exchanged, sorted; nothing where settings are as desired or alike.

    `compared` is what comparing devices of the outlook with their own desired settings brought to light.
    """
    found: list[Suspicion] = []
    own = _own(compared)
    for devices in _by_model(outlook).values():
        off = [d for d in devices if d in own]
        if len(off) > MOST:
            continue
        pairs = [(a, b, _held(outlook, own, a, b)) for a, b in combinations(off, 2)]
        suspected = [(a, b, held) for a, b, held in pairs if held]
        for a, b, held in suspected:
            alike = tuple(
                c for x, y, _ in suspected for c in _third(a, b, x, y) if _alike(outlook.wants[b], outlook.wants[c])
            )
            sure, because = _told(a, b, held, outlook)
            others = tuple(sorted(set(alike)))
            found.append(Suspicion(first=a, second=b, sure=sure, because=because, or_else=others))
    return tuple(sorted(found, key=lambda s: (s.first, s.second)))


def exchange_notes(outlook: Outlook, compared: Comparison) -> tuple[Note, ...]:
    """The suspicions as notes at the first position of each of the two devices."""
    notes = []
    for one in exchanged(outlook, compared):
        for device in (one.first, one.second):
            position = min(outlook.wants[device].outputs.items())[1].position
            notes.append(Note(room=position.room, position=position.name, device=device, words=one.words))
    return tuple(notes)


def _by_model(outlook: Outlook) -> Mapping[str, Sequence[str]]:
    """Devices that can be compared, by model."""
    found: dict[str, list[str]] = {}
    for device, want in sorted(outlook.wants.items()):
        safe = not any(o.position.life_safety for o in want.outputs.values())
        if safe and want.outputs and device in outlook.reported and device not in outlook.conflicting:
            found.setdefault(want.description.model, []).append(device)
    return found


def _own(compared: Comparison) -> dict[str, frozenset[Subject]]:
    """Subjects in which devices audibly differ from their own desired settings, by device."""
    found: dict[str, frozenset[Subject]] = {}
    for one in compared.counting():
        if one.setting not in SILENT:
            found[one.device] = found.get(one.device, frozenset()) | {one.subject}
    return found


def _apart(outlook: Outlook, owner: str, holder: str) -> frozenset[Subject]:
    """Subjects in which what the holder holds audibly differs from what the owner should be."""
    found = compare([(outlook.wants[owner], outlook.reported[holder])]).counting()
    return frozenset(d.subject for d in found if d.setting not in SILENT)


def _held(outlook: Outlook, own: Mapping[str, frozenset[Subject]], a: str, b: str) -> frozenset[Held]:
    """What either holds of the other's and not of its own, where there is something to hold."""
    if set(outlook.wants[a].outputs) != set(outlook.wants[b].outputs) or _alike(outlook.wants[a], outlook.wants[b]):
        return frozenset()
    return frozenset(
        (holder, owner, subject)
        for holder, owner in ((a, b), (b, a))
        for subject in own[holder] - _apart(outlook, owner, holder)
        if _tells(outlook, owner, holder, subject)
    )


def _tells(outlook: Outlook, owner: str, holder: str, subject: Subject) -> bool:
    """Whether the owner wants anything of this subject that the holder can be compared with."""
    want, reported = outlook.wants[owner], outlook.reported[holder]
    if subject == "live":
        return any(_settings(o.settings) for o in want.outputs.values())
    if want.stored is None or want.stored.outputs is None or want.stored.slot not in reported.slots:
        return False
    readable = reported.slots[want.stored.slot].outputs is not None
    return readable and any(_settings(s) for s in want.stored.outputs.values())


def _settings(settings: OutputSettings) -> tuple[str, ...]:
    return tuple(name for name in settings.given() if name != "mute")


def _alike(a: WantedDevice, b: WantedDevice) -> bool:
    """Whether two devices are to be the same, so that their contents cannot tell them apart."""
    return (
        {n: (o.settings, o.between) for n, o in a.outputs.items()}
        == {n: (o.settings, o.between) for n, o in b.outputs.items()}
        and (a.input, a.slot) == (b.input, b.slot)
        and (a.stored.outputs if a.stored else None) == (b.stored.outputs if b.stored else None)
    )


def _third(a: str, b: str, x: str, y: str) -> Iterator[str]:
    """Another partner of the first device of a pair."""
    if a in (x, y) and {a, b} != {x, y}:
        yield y if x == a else x


def _told(a: str, b: str, held: frozenset[Held], outlook: Outlook) -> tuple[Sure, str]:
    both = {s for s in ("live", "stored") if (a, b, s) in held and (b, a, s) in held}
    if both == {"live", "stored"}:
        return "hardly to be doubted", "both sound as the other should, and both slots hold the other's settings"
    if "stored" in both:
        return "likely", "both slots hold the other's settings"
    if "live" in both:
        unread = [d for d in (a, b) if not _tells(outlook, d, d, "stored")]
        why = "their slots cannot tell" if unread else "their slots do not hold the other's"
        return "likely", f"both sound as the other should; {why}"
    said = ", and ".join(
        f"{holder} sounds as {owner} should" if s == "live" else f"the slot of {holder} holds the settings of {owner}"
        for holder, owner, s in sorted(held)
    )
    only_one = len({holder for holder, _, _ in held}) == 1
    return "possible", f"only one of them tells so: {said}" if only_one else said
