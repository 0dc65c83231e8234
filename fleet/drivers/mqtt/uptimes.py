"""What a device's own clock shows: times on the wire are its uptime, learned from its answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class _Offset:
    boot_id: str
    ms: float


class Uptimes:
    """Offset between each device's uptime and `clock` (seconds), for the boot it was learned in."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._offsets: dict[str, _Offset] = {}

    def learn(self, device: str, boot_id: str, uptime_ms: float) -> None:
        """A device has just answered with its uptime. Retained states are too old to learn from."""
        self._offsets[device] = _Offset(boot_id, uptime_ms - self._clock() * 1000)

    def booted(self, device: str, boot_id: str) -> None:
        """A device is up with this boot id; what was learned in another boot is forgotten."""
        known = self._offsets.get(device)
        if known is not None and known.boot_id != boot_id:
            del self._offsets[device]

    def in_future(self, device: str, seconds: float) -> float | None:
        """The device's uptime in ms some seconds from now, `None` where its clock is not known."""
        known = self._offsets.get(device)
        return None if known is None else max(0.0, self._clock() * 1000 + known.ms + seconds * 1000)
