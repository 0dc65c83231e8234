"""Requests of the wire contract: one model for each action."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from fleet.drivers.mqtt.wire_parts import MOST_SLOTS, Count, Message, NotBelow, Part, Settings, SlotContents
from fleet.model.names import Id, SlotNumber


class Expect(Part):
    """Which state of a device a request was made from."""

    boot_id: Id
    revision: Count


class Request(Message):
    """What all requests carry. `epoch` is the fencing number."""

    id: Id
    controller: Id
    deadline_uptime_ms: NotBelow
    epoch: Count


class NoBody(Part):
    """An empty object."""


class Get(Request):
    """Tell everything."""

    deadline_uptime_ms: NotBelow | None = None  # type: ignore[assignment] # only `get` can be asked before an uptime is known
    epoch: Count = 0
    action: Literal["get"] = "get"
    body: NoBody = NoBody()


class SetBody(Part):
    """Work to do: recall, then settings, then slot contents."""

    change: Id
    recall: SlotNumber | None = None
    settings: Settings | None = None
    slot_contents: Annotated[tuple[SlotContents, ...], Field(max_length=MOST_SLOTS)] | None = None


class StageBody(SetBody):
    """Work of one phase to check and hold."""

    phase: Annotated[int, Field(ge=1, le=99)]


class Stage(Request):
    """Check and hold the work of a phase."""

    expect: Expect
    action: Literal["stage"] = "stage"
    body: StageBody


class CommitBody(Part):
    """Which phase, when, and after how long to revert unless kept."""

    change: Id
    phase: Annotated[int, Field(ge=1, le=99)]
    at_uptime_ms: NotBelow | None = None
    revert_after_ms: NotBelow | None = None


class Commit(Request):
    """Do the staged work of a phase."""

    expect: Expect
    action: Literal["commit"] = "commit"
    body: CommitBody


class ChangeBody(Part):
    """Which change."""

    change: Id


class Keep(Request):
    """End a change for good."""

    action: Literal["keep"] = "keep"
    body: ChangeBody


class Revert(Request):
    """Return to the restore point."""

    action: Literal["revert"] = "revert"
    body: ChangeBody


class Abort(Request):
    """Drop what is staged."""

    action: Literal["abort"] = "abort"
    body: ChangeBody


class Set(Request):
    """Do work at once, on a device that cannot stage."""

    expect: Expect
    action: Literal["set"] = "set"
    body: SetBody


class IdentifyBody(Part):
    """For how long."""

    seconds: Annotated[int, Field(ge=1, le=60)]


class Identify(Request):
    """Blink."""

    action: Literal["identify"] = "identify"
    body: IdentifyBody


class Restart(Request):
    """Reboot."""

    expect: Expect
    action: Literal["restart"] = "restart"
    body: NoBody = NoBody()


REQUESTS: Final = (Get, Stage, Commit, Keep, Revert, Abort, Set, Identify, Restart)
