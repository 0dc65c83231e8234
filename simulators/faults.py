"""Faults on demand: what is wrong with a simulated device, set at start or at run time."""

from __future__ import annotations

import re
from dataclasses import dataclass

KINDS = {
    "offline": "never connects",
    "slow": "answers late; slow:MS",
    "lost_reply": "does the work and drops its replies, or only the next N; lost_reply[:N]",
    "duplicate_reply": "sends each reply twice",
    "accepts_and_does_not": "says ok to commit and set, but nothing sounds different",
    "reboots_on_commit": "reboots instead of answering a commit, or only that of one phase (1 mute, 2 recall, 3 set, "
    "4 store, 5 unmute, 6 and up ramps); reboots_on_commit[:PHASE]",
    "foreign_serial": "reports the serial of another; foreign_serial:SERIAL",
    "replaced": "is another box of its model under the same id, out of the carton, with a memory of its own; "
    "replaced:SERIAL",
    "firmware": "has restarted with another firmware; firmware:VERSION",
    "no_hint": "does not tell the cause of its last change",
    "false_hint": "tells this cause whatever happens; false_hint:CAUSE",
    "garbage": "publishes malformed and oversized state, and control characters in its model name",
    "stuck_alarm_mute": "muted by an alarm contact that never opens",
    "busy": "refuses all but get with busy",
}
_NUMBER_NEEDED = {"slow"}
_NUMBER_ALLOWED = {"slow", "lost_reply", "reboots_on_commit"}
_TEXT_NEEDED = {"foreign_serial", "replaced", "firmware", "false_hint"}
_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault with its argument, e.g. `slow:250`."""

    kind: str
    argument: str | None = None

    @classmethod
    def parse(cls, text: str) -> Fault:
        """Read `KIND[:ARGUMENT]`; ValueError says what is wrong."""
        kind, _, argument = text.partition(":")
        if kind not in KINDS:
            raise ValueError(f"there is no fault {kind!r}; there are {', '.join(KINDS)}")
        if argument and kind in _NUMBER_ALLOWED and not argument.isdecimal():
            raise ValueError(f"{kind} takes a whole number, not {argument!r}")
        if argument and kind not in _NUMBER_ALLOWED | _TEXT_NEEDED:
            raise ValueError(f"{kind} takes nothing after a colon")
        if not argument and kind in _NUMBER_NEEDED | _TEXT_NEEDED:
            raise ValueError(f"{kind} needs its value: {KINDS[kind]}")
        if kind == "replaced" and not _SERIAL.fullmatch(argument):
            raise ValueError(f"{kind} takes a serial of letters, digits and hyphens, not {argument!r}")
        return cls(kind, argument or None)

    def __str__(self) -> str:
        return self.kind if self.argument is None else f"{self.kind}:{self.argument}"


class Faults:
    """The faults of one device. They are the simulation's, so they outlive the device's reboots."""

    def __init__(self, faults: list[str] | None = None) -> None:
        self._faults = {fault.kind: fault for fault in map(Fault.parse, faults or [])}

    def __contains__(self, kind: str) -> bool:
        return kind in self._faults

    def set(self, text: str) -> None:
        """Set one fault, replacing one of the same kind; `none` clears all, `none:KIND` one kind."""
        if text == "none":
            self._faults.clear()
        elif text.startswith("none:"):
            self._faults.pop(text.removeprefix("none:"), None)
        else:
            fault = Fault.parse(text)
            self._faults[fault.kind] = fault

    def argument(self, kind: str) -> str | None:
        """The argument of a fault, `None` where the fault or its argument is not there."""
        fault = self._faults.get(kind)
        return fault.argument if fault else None

    def number(self, kind: str) -> int | None:
        """The argument as a number."""
        argument = self.argument(kind)
        return None if argument is None else int(argument)

    def loses_this_reply(self) -> bool:
        """Whether the reply at hand is lost; counts down where only the next few are."""
        if "lost_reply" not in self:
            return False
        left = self.number("lost_reply")
        if left is not None:
            if left <= 1:
                self.set("none:lost_reply")
            else:
                self.set(f"lost_reply:{left - 1}")
            return left > 0
        return True

    def reboots_at(self, phase: int) -> bool:
        """Whether a commit of this phase makes the device reboot."""
        return "reboots_on_commit" in self and self.number("reboots_on_commit") in (None, phase)

    def listed(self) -> list[str]:
        """As `parse` reads them."""
        return [str(fault) for fault in self._faults.values()]
