"""Reading a request: its form is checked whole before the device looks at its meaning."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from .abilities import Json

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}")
STAGED_ACTIONS = frozenset({"stage", "commit", "keep", "revert", "abort"})
_EXPECTING = frozenset({"stage", "commit", "set", "restart"})


class Refused(Exception):
    """A refusal with its code on the wire and a text for people."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


@dataclass(frozen=True, slots=True)
class Request:
    """A well-formed request. `expect` is (boot id, revision) where the action changes something."""

    action: str
    body: Json
    deadline_uptime_ms: float | None
    epoch: int
    expect: tuple[str, int] | None


def is_id(value: object) -> bool:
    """Whether this is an id as devices, controllers, requests and changes have them."""
    return isinstance(value, str) and _ID.fullmatch(value) is not None


def read(message: Json, outputs: int) -> Request:
    """The request of a device with so many outputs; `Refused` with `malformed` otherwise."""
    _member(message, "v", lambda value: value == 1 and not isinstance(value, bool))
    action = message.get("action")
    if not isinstance(action, str) or action not in _BODIES:
        raise Refused("malformed", "unknown action")
    body = _member(message, "body", _is_object)
    _BODIES[action](body, outputs)
    deadline = message.get("deadline_uptime_ms")
    if deadline is not None or action != "get":
        _member(message, "deadline_uptime_ms", is_number)
    _member(message, "epoch", _is_count)
    expect = None
    if action in _EXPECTING:
        told = _member(message, "expect", _is_object)
        _member(told, "boot_id", _is_text)
        _member(told, "revision", _is_count)
        expect = (told["boot_id"], told["revision"])
    return Request(action, body, deadline, message["epoch"], expect)


def is_number(value: object) -> bool:
    """A finite number (a JSON true is none); a bound, since JSON whole numbers may be of any length."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e300 < value < 1e300


def check_settings(settings: Json, outputs: int) -> None:
    """Form of `settings`: names and types, not ranges."""
    _optional(settings, "input", _is_text)
    _optional(settings, "panel_locked", _is_bool)
    _optional(settings, "power_up_slot", _is_count)
    for output in _optional(settings, "outputs", _is_list_of_objects) or []:
        _check_output(output, outputs)
        _optional(output, "mute", _is_bool)


def _check_output(output: Json, outputs: int) -> None:
    number = _member(output, "output", _is_count)
    if not 1 <= number <= outputs:
        raise Refused("malformed", f"there is no output {number}")
    _optional(output, "level_db", is_number)
    _optional(output, "delay_ms", is_number)
    _optional(output, "polarity", lambda value: value in ("normal", "inverted"))
    for band in _optional(output, "eq", _is_list_of_objects) or []:
        _member(band, "shape", _is_text)
        for name in ("frequency_hz", "gain_db", "q"):
            _member(band, name, is_number)
    for name in ("high_pass", "low_pass"):
        crossover = _optional(output, name, lambda value: value == "none" or _is_object(value))
        if isinstance(crossover, dict):
            _member(crossover, "family", _is_text)
            _member(crossover, "slope_db_per_octave", is_number)
            _member(crossover, "frequency_hz", is_number)


def _check_work(body: Json, outputs: int) -> None:
    _member(body, "change", is_id)
    _optional(body, "recall", _is_count)
    settings = _optional(body, "settings", _is_object)
    if settings is not None:
        check_settings(settings, outputs)
    for contents in _optional(body, "slot_contents", _is_list_of_objects) or []:
        _member(contents, "slot", _is_count)
        _member(contents, "name", _is_text)
        _optional(contents, "input", _is_text)
        for output in _member(contents, "outputs", _is_list_of_objects):
            _check_output(output, outputs)


def _check_stage(body: Json, outputs: int) -> None:
    _check_work(body, outputs)
    _member(body, "phase", _is_phase)


def _check_commit(body: Json, _outputs: int) -> None:
    _member(body, "change", is_id)
    _member(body, "phase", _is_phase)
    _optional(body, "at_uptime_ms", is_number)
    _optional(body, "revert_after_ms", lambda value: is_number(value) and value >= 0)


def _check_change(body: Json, _outputs: int) -> None:
    _member(body, "change", is_id)


def _check_identify(body: Json, _outputs: int) -> None:
    _member(body, "seconds", is_number)


def _check_empty(_body: Json, _outputs: int) -> None:
    return


_BODIES: dict[str, Callable[[Json, int], None]] = {
    "get": _check_empty,
    "stage": _check_stage,
    "commit": _check_commit,
    "keep": _check_change,
    "revert": _check_change,
    "abort": _check_change,
    "set": _check_work,
    "identify": _check_identify,
    "restart": _check_empty,
}


def _member(holder: Json, name: str, fits: Callable[..., bool]) -> Any:
    if name not in holder:
        raise Refused("malformed", f"{name} is missing")
    if not fits(holder[name]):
        raise Refused("malformed", f"{name} is not understood")
    return holder[name]


def _optional(holder: Json, name: str, fits: Callable[..., bool]) -> Any:
    return _member(holder, name, fits) if holder.get(name) is not None else None


def _is_object(value: object) -> bool:
    return isinstance(value, dict)


def _is_list_of_objects(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(item, dict) for item in value)


def _is_text(value: object) -> bool:
    return isinstance(value, str) and len(value) <= 128


def _is_bool(value: object) -> bool:
    return isinstance(value, bool)


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _is_phase(value: object) -> bool:
    return _is_count(value) and value != 0
