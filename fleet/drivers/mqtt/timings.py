"""How long the MQTT driver waits for what."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Timings:
    """Seconds. A device has `repeat_after_s * attempts` to answer; the same request is sent that many times."""

    repeat_after_s: float = 1.0
    attempts: int = 3
    connect_s: float = 5.0
    keepalive_s: int = 15
    drain_s: float = 5.0
    """The longest that one slice of a census may take."""
    backoff_first_s: float = 0.25
    backoff_most_s: float = 15.0
    early_every_s: float = 1.0
    """The shortest time between two attempts that come early because something was announced."""

    @property
    def answer_s(self) -> float:
        """How long a device has to answer, repeats included."""
        return self.repeat_after_s * self.attempts
