"""What missing devices have in common that devices which are there have not. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from fleet.model.cause import CommonCause, Place, SharedKind
from fleet.model.description import Description
from fleet.model.listing import counted, listed
from fleet.model.names import shown
from fleet.model.venue import Position, Venue

KINDS: Final[tuple[SharedKind, ...]] = ("circuit", "switch", "rack", "room", "model", "venue")
"""From the smallest explanation to the largest."""
MISSING_FOR_ONE_SPARED: Final = 10
"""So many missing ones have to share a cause for each device that shares it and is there."""
LEAST_OF_SOME: Final = 3
"""A cause of only some of the missing devices explains at least so many, and more than half."""
NAMED: Final = 3
"""Exceptions are named up to this number, and counted above it."""

Shared = tuple[SharedKind, str]


def common_cause(missing: Collection[str], present: Collection[str], places: Mapping[str, Place]) -> CommonCause | None:
    """The cause that explains missing devices with the fewest exceptions, of these the smallest; else `None`.

    `present` are the devices that are there at the same moment. One device has nothing in common with others. No
    cause is named that more than a few devices share which are there, nor one that explains less than half.
    """
    gone, there = sorted(set(missing)), sorted(set(present) - set(missing))
    if len(gone) < 2:
        return None
    holders = _holders({*gone, *there, *places}, places)
    candidates = []
    for shared in sorted({s for device in gone for s in _shared(places.get(device))}, key=_size):
        who = holders[shared]
        candidate = _Candidate(
            shared,
            devices=tuple(d for d in gone if d in who),
            apart=tuple(d for d in gone if d not in who),
            spared=tuple(d for d in there if d in who),
            whole=who <= set(gone),
        )
        if _explains(candidate):
            candidates.append(candidate)
    if not candidates:
        return None
    # The first of those with the fewest exceptions is the smallest.
    return min(candidates, key=lambda c: len(c.apart) + len(c.spared)).told(candidates)


def places_of(venue: Venue, descriptions: Mapping[str, Description]) -> dict[str, Place]:
    """Where every device of a venue hangs, by the references of its positions, and what it is.

    A switch port is `SW-2/17`: the switch is what stands before the last slash. A rack is `R2/14` in the same way.
    """
    served: dict[str, list[Position]] = {}
    for position in venue.positions():
        served.setdefault(position.device, []).append(position)
    found: dict[str, Place] = {}
    for device, positions in sorted(served.items()):
        references = [p.references for p in positions]
        description = descriptions.get(device)
        found[device] = Place(
            circuits=frozenset(r.circuit for r in references if r.circuit),
            switches=frozenset(_before_slash(r.switch_port) for r in references if r.switch_port),
            racks=frozenset(_before_slash(r.rack) for r in references if r.rack),
            rooms=frozenset(venue.rooms[p.room].title for p in positions),
            model=description.model if description else "",
            firmware=description.firmware if description else "",
        )
    return found


@dataclass(frozen=True, slots=True)
class _Candidate:
    """Something shared, with the missing devices that share it and the exceptions; `whole`: all that share it miss."""

    shared: Shared
    devices: tuple[str, ...]
    apart: tuple[str, ...]
    spared: tuple[str, ...]
    whole: bool

    def told(self, all_candidates: Collection[_Candidate]) -> CommonCause:
        """In words; what explains the very same devices as well is said beside it."""
        kind, name = self.shared
        also = [
            _where(c.shared)
            for c in all_candidates
            if c is not self
            and (c.devices, c.spared) == (self.devices, self.spared)
            and {kind, c.shared[0]} <= {"circuit", "switch", "rack"}
        ]
        where = listed([_where(self.shared), *also])
        total = len(self.devices) + len(self.apart)
        every = self.whole and kind in {"room", "venue"}
        if self.apart:
            rest = ", every device there" if every else ""
            words = f"{len(self.devices)} of {total} missing are {where}{rest}; {_exceptions(self.apart)} not"
        elif every:
            words = f"{total} missing: every device of {'the venue' if kind == 'venue' else shown(name)}"
        else:
            words = f"{total} missing, all {where}"
        if self.spared:
            words += f"; {_exceptions(self.spared)} there too, and not missing"
        return CommonCause(
            kind=kind, name=name, devices=self.devices, apart=self.apart, spared=self.spared, words=words
        )


def _holders(devices: Collection[str], places: Mapping[str, Place]) -> dict[Shared, set[str]]:
    """Which devices share each thing."""
    found: dict[Shared, set[str]] = {}
    for device in devices:
        for shared in _shared(places.get(device)):
            found.setdefault(shared, set()).add(device)
    return found


def _explains(candidate: _Candidate) -> bool:
    explained = len(candidate.devices)
    if len(candidate.spared) * MISSING_FOR_ONE_SPARED > explained:
        return False
    return not candidate.apart or (explained >= LEAST_OF_SOME and explained > len(candidate.apart))


def _shared(place: Place | None) -> Iterator[Shared]:
    """Everything that a device may share. All devices are the venue's, those without a place too."""
    yield "venue", ""
    if place is None:
        return
    for circuit in place.circuits:
        yield "circuit", circuit
    for switch in place.switches:
        yield "switch", switch
    for rack in place.racks:
        yield "rack", rack
    for room in place.rooms:
        yield "room", room
    if place.model:
        yield "model", f"{place.model} with firmware {place.firmware}" if place.firmware else place.model


def _size(shared: Shared) -> tuple[int, str]:
    return KINDS.index(shared[0]), shared[1]


def _where(shared: Shared) -> str:
    kind, name = shared[0], shown(shared[1])
    words: dict[SharedKind, str] = {
        "circuit": f"on circuit {name}",
        "switch": f"behind switch {name}",
        "rack": f"in rack {name}",
        "room": f"in {name}",
        "model": f"of model {name}",
        "venue": "over the whole venue",
    }
    return words[kind]


def _exceptions(devices: tuple[str, ...]) -> str:
    if len(devices) > NAMED:
        return f"{counted(len(devices), 'other')} are"
    return f"{listed(devices)} {'is' if len(devices) == 1 else 'are'}"


def _before_slash(reference: str) -> str:
    return reference.rpartition("/")[0] or reference
