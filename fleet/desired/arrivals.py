"""When sound arrives: delay, latency and travel time of a position, as far as the files and the devices tell."""

from __future__ import annotations

from dataclasses import replace

from fleet.acoustics.delay import distance_m, ms_of_m
from fleet.desired.finding import Design
from fleet.errors import BadInput
from fleet.model.venue import Point, Position, Room, TimeAlign
from fleet.reconcile.alignment import alignment_delay_ms


class Arrivals:
    """Delays and arrivals in a room. Latencies count as equal where one of the room's devices is not known."""

    def __init__(self, design: Design, room: Room) -> None:
        self._room = room
        devices = {position.device for position in room.positions.values()}
        known = devices <= design.descriptions.keys()
        self._latencies_ms = {device: design.descriptions[device].latency_ms if known else 0.0 for device in devices}

    def delay_ms(self, position: Position) -> float | None:
        """The delay that a position would have; `None` where it is not managed, a range, or cannot be had."""
        if position.time_align is None:
            return position.fixed.delay_ms
        try:
            return alignment_delay_ms(self._room, position.name, self._latencies_ms)
        except BadInput:
            return None

    def impossible(self, position: Position) -> BadInput | None:
        """Why the delay of a position cannot be had, unless that is another position's fault."""
        try:
            alignment_delay_ms(self._room, position.name, self._latencies_ms)
        except BadInput as error:
            return error if error.where == f"{self._room.name}/{position.name}" else None
        return None

    def delay_aligned_ms(self, position: Position, align: TimeAlign) -> float | None:
        """The delay that a position would have with this alignment."""
        asked = replace(position, time_align=align, fixed=replace(position.fixed, delay_ms=None))
        room = replace(self._room, positions={**self._room.positions, position.name: asked})
        try:
            return alignment_delay_ms(room, position.name, self._latencies_ms)
        except BadInput:
            return None

    def arrival_ms(self, position: Position, listener: Point | None) -> float | None:
        """When sound of a position arrives at a point. `None` where a coordinate or the delay is not known.

        A delay that is not managed counts as none.
        """
        delay = self.delay_ms(position)
        if delay is None and position.time_align is None and "delay_ms" not in position.between:
            delay = 0.0
        if delay is None or position.at_m is None or listener is None:
            return None
        travel = ms_of_m(distance_m(position.at_m, listener), self._room.air_temperature_c)
        return self._latencies_ms[position.device] + delay + travel


def throw_m(position: Position) -> float | None:
    """From a position to its listening point in m."""
    if position.at_m is None or position.listen_at_m is None:
        return None
    return distance_m(position.at_m, position.listen_at_m)
