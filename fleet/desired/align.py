"""Whether the delays that `time_align` asks for can be computed: coordinates, a listening point, no circles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fleet.desired.wording import quoted
from fleet.model.listing import listed
from fleet.model.venue import Position


def alignment_faults(positions: Mapping[str, Position]) -> Iterator[tuple[str, str]]:
    """(position, what is wrong), for each position of a room that cannot be aligned as it asks.

    References to positions that are not among `positions` are passed over: they are complained of where written.
    """
    for name, position in positions.items():
        if position.time_align is None:
            continue
        yield from ((name, text) for text in _lacking(position, positions.get(position.time_align.to)))
    for circle in _circles(positions):
        if len(circle) == 1:
            yield circle[0], f"{quoted(circle[0])} would be aligned to itself; give it a `delay_ms` of its own"
        else:
            yield circle[0], f"{listed([quoted(name) for name in circle])} are aligned to each other in a circle"


def _lacking(position: Position, reference: Position | None) -> Iterator[str]:
    head = f"{quoted(position.name)} has a `time_align`"
    if position.at_m is None:
        yield f"{head} but no `at_m`; give its coordinates, or a measured `delay_ms`"
    if position.listen_at_m is None:
        yield f"{head} but no `listen_at_m`; give it at the position, its group or the room"
    if reference is not None and reference.at_m is None:
        yield f"{head} to {quoted(reference.name)}, which has no `at_m`; give its coordinates"


def _circles(positions: Mapping[str, Position]) -> Iterator[list[str]]:
    """Each circle of references once, from its first member in the order of the file."""
    done: set[str] = set()
    for start in positions:
        chain: list[str] = []
        name = start
        while name in positions and name not in done and name not in chain:
            chain.append(name)
            align = positions[name].time_align
            name = align.to if align else ""
        if name in chain:
            yield chain[chain.index(name) :]
        done.update(chain)
