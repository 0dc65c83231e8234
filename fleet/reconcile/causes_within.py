"""What was done to a device within one boot: mutes, slots, recalls and edits, and by whom. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final, Literal

from fleet.model.cause import Cause, CauseKind
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import DeviceSettings
from fleet.model.state import OURS_OR_PANEL, MuteCause, Reported, State
from fleet.reconcile.edited import edited
from fleet.reconcile.exact import same_setting
from fleet.reconcile.recalled import after_recall
from fleet.reconcile.words import SETTING_WORDS

Who = Literal["panel", "controller", "in spite of its lock", "either"]
WHO_WORDS: Final[Mapping[Who, str]] = {
    "panel": "at its panel",
    "controller": "by another controller",
    "in spite of its lock": "by another controller (it says at its panel, which is locked)",
    "either": "at the box or by another controller",
}
CONTACTS: Final[Mapping[MuteCause, tuple[CauseKind, str]]] = {
    "external": ("external mute", "muted by an external contact"),
    "alarm": ("alarm mute", "muted by an alarm"),
}


def within(before: Reported, now: Reported) -> tuple[Cause, ...]:
    """What was done between two moments of one boot; settings not given in `before` are not known and not compared."""
    state = now.state
    who = _who(before.state, state)
    overwritten = _overwritten(before, now)
    causes = [*mutes(before, now)]
    if overwritten is not None:
        which = f"the contents of slot {listed([str(n) for n in overwritten])}" if overwritten else "a slot's contents"
        causes.append(Cause(kind="slots", words=f"has had {which} overwritten {WHO_WORDS[who]}", certain=True))
    done = _live(before, now, overwritten)
    # The hint is of the last thing that was done, and may be that of a mute.
    hinted = state.cause in {"panel", "request"} and not any(cause.kind == "panel mute" for cause in causes)
    if done and before.state.change and not state.change and not hinted:
        causes.append(Cause(kind="reverted", words="went back from a change that was not kept"))
    elif done and who in {"controller", "in spite of its lock"}:
        words = f"{listed([words for _, words in done])} {WHO_WORDS[who]}"
        causes.append(Cause(kind="controller", words=words))
    else:
        causes += [Cause(kind=kind, words=f"{words} {WHO_WORDS[who]}") for kind, words in done]
    return tuple(causes)


def mutes(before: Reported, now: Reported) -> Iterator[Cause]:
    """Mute causes that came or went; the device reports them as facts."""
    was, is_ = _mute_causes(before), _mute_causes(now)
    came, went = {c for _, c in is_ - was}, {c for _, c in was - is_}
    for cause, (kind, words) in CONTACTS.items():
        if cause in came:
            yield Cause(kind=kind, words=f"is {words}", certain=True)
        elif cause in went:
            yield Cause(kind=kind, words=f"is no longer {words}", certain=True)
    if "panel" in came:
        yield Cause(kind="panel mute", words="was muted at its panel", certain=not _locked(before.state, now.state))
    if "controller" in came:
        yield Cause(kind="controller", words="was muted by another controller", certain=True)
    if went & OURS_OR_PANEL and not came & OURS_OR_PANEL:
        who = _who(before.state, now.state)
        ours = who in {"controller", "in spite of its lock"}
        yield Cause(kind="controller" if ours else "panel mute", words=f"was unmuted {WHO_WORDS[who]}")


def altered(now: Reported, live: DeviceSettings) -> tuple[str, ...]:
    """Settings of `now` that are not as in `live`, in words, each once; mutes and the input are not among them."""
    found = {
        name
        for number, settings in live.outputs.items()
        for name in settings.given()
        if name != "mute" and number in now.state.live.outputs
        if not same_setting(
            now.description, number, name, getattr(settings, name), getattr(now.state.output(number), name)
        )
    }
    wide = {n for n in ("panel_locked", "power_up_slot") if _differ(getattr(live, n), getattr(now.state.live, n))}
    return tuple(words for name, words in SETTING_WORDS.items() if name in found | wide)


def _live(before: Reported, now: Reported, overwritten: tuple[int, ...] | None) -> list[tuple[CauseKind, str]]:
    """What was done to live settings: the recall first, then what is not as the recall left it."""
    slot = now.state.active_slot
    moved = before.state.active_slot != slot
    # A hand that stores what is live makes that slot the active one: so far nothing sounds different.
    there = overwritten is not None and slot in overwritten
    perhaps_there = there or overwritten == ()
    as_before = not altered(now, before.state.live)
    stored_there = moved and ((there and edited(now) is False) or (perhaps_there and as_before))
    again = not moved and not perhaps_there and edited(before) is True and edited(now) is False
    done: list[tuple[CauseKind, str]] = []
    stood = before.state.live
    if slot is not None and (again or (moved and not stored_there)):
        done.append(("recalled", f"recalled slot {slot}"))
        stood = after_recall(replace(now, state=before.state), slot)
    was, is_ = stood.input, now.state.live.input
    if was is not None and is_ is not None and was != is_:
        done.append(("input", f"changed input from {shown(was)} to {shown(is_)}"))
    if names := altered(now, stood):
        done.append(("edited", f"edited ({listed(names)})"))
    return done


def _overwritten(before: Reported, now: Reported) -> tuple[int, ...] | None:
    """Slots whose contents changed, empty where it cannot be told which; `None` where none did.

    Another firmware may write the same contents down in another way, so that the hash proves nothing then.
    """
    found = tuple(
        number
        for number, contents in sorted(now.slots.items())
        if contents.outputs is not None
        and (old := before.slots.get(number)) is not None
        and old.outputs is not None
        and (old.input, old.outputs) != (contents.input, contents.outputs)
    )
    was, is_ = before.state.slots_sha256, now.state.slots_sha256
    same_firmware = before.description.firmware == now.description.firmware
    return found if found or (same_firmware and was and is_ and was != is_) else None


def _who(before: State, now: State) -> Who:
    """Who did the last change: by its hint, and where there is none, by what a hand at the panel cannot do."""
    if now.cause == "panel":
        return "in spite of its lock" if _locked(before, now) else "panel"
    if now.cause == "request" or _locked(before, now) or now.epoch > before.epoch or now.change:
        return "controller"
    return "either"


def _locked(before: State, now: State) -> bool:
    return before.live.panel_locked is True and now.live.panel_locked is True


def _mute_causes(reported: Reported) -> set[tuple[int, MuteCause]]:
    return {(number, cause) for number, causes in reported.state.mute_causes.items() for cause in causes}


def _differ(was: object, is_: object) -> bool:
    return was is not None and is_ is not None and was != is_
