"""What one should know of a device though it is no difference."""

from __future__ import annotations

from collections.abc import Iterator

from fleet.model.difference import Note
from fleet.model.listing import counted, listed
from fleet.model.settings import OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.exact import same_setting
from fleet.reconcile.power_up import wrong_slot_after_power_cut
from fleet.reconcile.wanted import WantedDevice, WantedOutput
from fleet.reconcile.words import SETTING_WORDS, db, hz

MUTE_WORDS = {"external": "an external contact", "alarm": "the alarm"}


def notes(wanted: WantedDevice, reported: Reported) -> Iterator[Note]:
    """Problems of the wish, slots that cannot be read, fits, mutes of others, unmanaged settings off the slot."""
    outputs = [output for _, output in sorted(wanted.outputs.items())]
    first = outputs[0].position
    for problem in wanted.problems:
        yield _note(first, problem)
    if wanted.stored is not None:
        contents = reported.slots.get(wanted.stored.slot)
        if contents is None or contents.outputs is None:
            yield _note(first, f"contents of slot {wanted.stored.slot} cannot be read: they were not checked")
    live = reported.state.live
    settled = wanted.power_up_slot in (None, live.power_up_slot)  # else it is a difference already
    if settled and (wrong := wrong_slot_after_power_cut(wanted, live)):
        yield _note(first, f"{wrong} after a power cut")
    for output in outputs:
        yield from _fitted(output)
        yield from _muted_by_others(output, reported)
        yield from _unmanaged(output, reported)


def _fitted(output: WantedOutput) -> Iterator[Note]:
    if (fit := output.fit) is not None:
        off = f"at most {db(fit.worst_error_db)} off at {hz(fit.worst_at_hz)}"
        yield _note(output.position, f"target curve fitted with {counted(len(fit.bands), 'band')}, {off}")


def _muted_by_others(output: WantedOutput, reported: Reported) -> Iterator[Note]:
    others = reported.state.muted_by_others(output.position.output)
    if others and output.settings.mute is False:
        by = listed([MUTE_WORDS[cause] for cause in others])
        yield _note(output.position, f"muted by {by}: left alone", silent=True)


def _unmanaged(output: WantedOutput, reported: Reported) -> Iterator[Note]:
    """Settings that nobody manages and that a recall of the active slot would change."""
    state, number = reported.state, output.position.output
    contents = reported.slots.get(state.active_slot) if state.active_slot is not None else None
    if contents is None or contents.outputs is None:
        return
    live, held = state.output(number), contents.outputs.get(number, OutputSettings())
    apart = [
        SETTING_WORDS[name]
        for name in held.given()
        if getattr(output.settings, name) is None
        and name not in output.between
        and getattr(live, name) is not None
        and not same_setting(reported.description, number, name, getattr(held, name), getattr(live, name))
    ]
    if apart:
        verb = "differs" if len(apart) == 1 else "differ"
        yield _note(output.position, f"unmanaged {listed(apart)} {verb} from slot {contents.slot}")


def _note(position: Position, words: str, *, silent: bool = False) -> Note:
    return Note(room=position.room, position=position.name, device=position.device, words=words, silent=silent)
