"""The rules of a round: how a room went, which devices count, when the round stops, what may go on unseen."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from fleet.errors import FleetError, Moved, NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Plan
from fleet.model.round import RoomResult, RoomState

NEEDS_PERSON = ChangeState.NEEDS_PERSON.value


def of_change(room: str, record: ChangeRecord) -> RoomResult:
    """A room whose change has ended; one that has not goes on without the round, which stops.

    Every device that made it fail, needs a person, or could not take part counts.
    """
    stuck = {o.device: o.words for o in record.outcomes if o.word == NEEDS_PERSON}
    culprits = {device: words for device, words in record.culprits.items() if device}
    counted = {**unable(record.plan), **stuck, **culprits}
    for device in stuck:
        counted[device] = f"{counted[device]}; {NEEDS_PERSON}" if counted[device] else NEEDS_PERSON
    by_nobody = record.culprits.get("", "")
    ended = record.state.ended
    return RoomResult(
        room=room,
        state=RoomState(record.state.value) if ended else RoomState.RUNNING,
        words=(by_nobody or _left_out(record.plan)) if ended else "its change goes on by itself",
        change=record.id,
        counted=dict(sorted(counted.items())),
        stops=not ended or "" in record.culprits,
    )


def of_empty(room: str, plan: Plan) -> RoomResult:
    """A room whose plan holds no work."""
    if not plan.left_out:
        return RoomResult(room=room, state=RoomState.AS_IT_SHOULD_BE)
    return RoomResult(room=room, state=RoomState.NOTHING_TO_DO, words=_left_out(plan), counted=unable(plan))


def of_error(room: str, error: FleetError) -> RoomResult:
    """A room that was not begun: refused, moved since it was shown, or not to be tried at all, which ends the round."""
    words = f"{error.what}. {error.remedy}" if error.remedy else error.what
    if isinstance(error, Moved | NotFound):
        return RoomResult(room=room, state=RoomState.MOVED, words=words)
    if isinstance(error, Refused):
        # What cannot take part is told device by device; a guard's words are the room's.
        return RoomResult(
            room=room, state=RoomState.REFUSED, words="" if error.unable else words, counted=dict(error.unable)
        )
    return RoomResult(room=room, state=RoomState.FAILED, words=words, stops=True)


def unable(plan: Plan) -> dict[str, str]:
    """Devices that a plan left out because they could not have taken part, with the reason."""
    return {x.device: x.words for x in plan.left_out if x.unable}


def counted(results: Iterable[RoomResult]) -> frozenset[str]:
    """Devices that failed, were unreachable or were late, each once, however many rooms it serves."""
    return frozenset(device for result in results for device in result.counted)


def why_stop(results: Collection[RoomResult], stop_after: int) -> str:
    """Why no further room is to be begun after these, in words; empty while the round goes on."""
    for result in results:
        if result.stops:
            return f"{result.room}: {result.words}"
    number = len(counted(results))
    if number < stop_after:
        return ""
    return f"{number} {'device' if number == 1 else 'devices'} failed, unreachable or late"


def as_shown(plan: Plan, digest: str, *, earlier: Iterable[Plan], devices: Collection[str]) -> bool:
    """Whether this plan may be carried out on the word given for the plan with `digest`.

    It is the same, or it differs as this very round made it differ: an earlier room of it, with a plan of the same
    desired state, moved one of the room's `devices`. What had no plan when it was shown never may.
    """
    if not digest:
        return False
    return plan.digest == digest or any(
        before.desired_sha256 == plan.desired_sha256 and any(d.device in devices for d in before.devices)
        for before in earlier
    )


def _left_out(plan: Plan) -> str:
    """What was left out for another reason than that its device could not have taken part, in words."""
    out = "; ".join(f"{x.position}: {x.words}" for x in plan.left_out if not x.unable)
    return f"left out: {out}" if out else ""
