"""Where a change stands, what can happen to it, and what is to be done next: values only.

`fleet.reconcile.machine` turns one `Progress` and one event into the next `Progress` and its effects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from fleet.model.change import ChangeState
from fleet.model.plan import DevicePlan, Phase, Plan
from fleet.model.state import Moment, Reported
from fleet.reconcile.standing import Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How long a change may stay in a state, in seconds, before that counts as a failure."""

    planned_s: float = 10.0
    staging_s: float = 10.0
    committing_s: float = 10.0
    verifying_s: float = 10.0
    keeping_s: float = 10.0
    rolling_back_s: float = 10.0
    checking_s: float = 20.0
    recovering_s: float = 20.0
    attempts: int = 2
    """How often a rollback is tried before a person is needed."""
    alone_s: float = 60.0
    """How long a device with a revert timer stays changed, trial aside, when nobody keeps or reverts it."""
    ramp_pause_s: float = 0.25
    """Between two steps of a ramp, so that a rise can be heard coming."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a change stands. `turn` rises with each state entered or phase begun; answers to older turns are void.

    `waiting` holds the devices whose answer is awaited; `step` counts committed phases of `schedule`; `touched`
    the devices that may have committed something, `kept` those that hold the change for good, so that only writing
    brings them back; `moments` the last known ones.
    """

    change: str
    plan: Plan
    schedule: tuple[Phase, ...]
    limits: Limits = field(default_factory=Limits)
    trial_s: float | None = None
    """How long the change is on trial once it is verified; `None` where it is kept at once."""
    state: ChangeState = ChangeState.PLANNED
    turn: int = 0
    step: int = 0
    deadline: float = 0.0
    attempt: int = 0
    waiting: frozenset[str] = frozenset()
    touched: frozenset[str] = frozenset()
    kept: frozenset[str] = frozenset()
    moments: Mapping[str, Moment] = field(default_factory=dict)
    culprits: Mapping[str, str] = field(default_factory=dict)
    """Devices that made the change fail, with the reason in words."""
    failed_in: int = -1
    """The turn in which it failed: others that fail in it are named as well."""
    stuck: Mapping[str, str] = field(default_factory=dict)
    """Devices that are neither wholly old nor wholly new, with the reason in words."""
    found: Mapping[str, Standing] = field(default_factory=dict)
    """How a restarted daemon found the devices that have answered so far."""
    left: ChangeState | None = None
    """The state in which a stopped daemon left the change."""

    def device(self, name: str) -> DevicePlan:
        """The part of the plan of this device."""
        return next(p for p in self.plan.devices if p.device == name)

    @property
    def devices(self) -> frozenset[str]:
        """All devices of the change."""
        return frozenset(p.device for p in self.plan.devices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """Start the change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A device did what it was asked in this turn; `moment` is where it is now, if it told."""

    device: str
    turn: int
    moment: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A device refused, was silent, or spoke nonsense in this turn; or the link was down, which is not its doing."""

    device: str
    turn: int
    why: str
    by_device: bool = True

    @property
    def culprit(self) -> str:
        """Who is to be named for it: the device, or nobody."""
        return self.device if self.by_device else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """A device was read."""

    device: str
    turn: int
    reported: Reported


@dataclass(frozen=True, slots=True, kw_only=True)
class Elapsed:
    """The deadline of the state has passed."""

    turn: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancel:
    """A person wants it stopped, or the daemon stops."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Accept:
    """A person keeps the change on trial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A device told by itself which change it has open now, if any."""

    device: str
    change: str | None


Event: TypeAlias = Begin | Done | Failed | ReadBack | Elapsed | Cancel | Accept | Heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepare:
    """Stage all work of a device."""

    device: str
    turn: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Commit:
    """Commit one phase, `after_s` from now, on a device that is expected to be at `expect`.

    A device with a timer returns by itself `alone_s` seconds later, unless another commit or keep comes first.
    """

    device: str
    turn: int
    phase: Phase
    expect: Moment
    alone_s: float
    after_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """Read a device back; a patient read is repeated until the state's deadline, since the device may be booting."""

    device: str
    turn: int
    patient: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """Let a device make the change its lasting state."""

    device: str
    turn: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Revert:
    """Let a device return to its state before the change (an abort where nothing was committed)."""

    device: str
    turn: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteBack:
    """Write the checkpoint to a device, since it cannot revert or has kept."""

    device: str
    turn: int
    alone_s: float
    """As in `Commit`, for the writing back itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forget:
    """Let a device drop what is staged. No answer is awaited: staged work dies at its deadline in any case."""

    device: str


Effect: TypeAlias = Prepare | Commit | Read | Keep | Revert | WriteBack | Forget
