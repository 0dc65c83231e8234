"""The words of the panel command, as the events that `panel.press` does."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .abilities import Json

GESTURES = (
    "recall SLOT",
    "store SLOT",
    "mute | unmute",
    "level DB",
    "delay MS",
    "polarity normal|inverted",
    "eq none | eq SHAPE,HZ,DB,Q ...",
    "input NAME",
    "lock | unlock",
    "external-mute on|off",
    "alarm-mute on|off",
)


def gesture(action: str, values: Sequence[str], output: int | None) -> Json:
    """The event of one panel action; ValueError says what was not understood. Without an output it concerns all."""
    try:
        event = _EVENTS[action](*values)
    except (KeyError, ValueError, TypeError) as error:
        forms = "; ".join(GESTURES)
        raise ValueError(f"{' '.join([action, *values])!r} is not understood; there are: {forms}") from error
    return event if output is None else {**event, "output": output}


def _contact(cause: str) -> Callable[[str], Json]:
    return lambda state: {"mute": _one_of(state, ("on", "off")) == "on", "cause": cause}


def _eq(*texts: str) -> Json:
    if not texts:
        raise ValueError("no bands")
    return {"set": {"eq": [] if texts == ("none",) else [_band(text) for text in texts]}}


def _band(text: str) -> Json:
    shape, frequency, gain, q = text.split(",")
    return {"shape": shape, "frequency_hz": float(frequency), "gain_db": float(gain), "q": float(q)}


def _one_of(text: str, words: tuple[str, str]) -> str:
    if text not in words:
        raise ValueError(text)
    return text


_EVENTS: dict[str, Callable[..., Json]] = {
    "recall": lambda slot: {"recall": int(slot)},
    "store": lambda slot: {"store": int(slot)},
    "mute": lambda: {"mute": True},
    "unmute": lambda: {"mute": False},
    "level": lambda level_db: {"set": {"level_db": float(level_db)}},
    "delay": lambda delay_ms: {"set": {"delay_ms": float(delay_ms)}},
    "polarity": lambda polarity: {"set": {"polarity": _one_of(polarity, ("normal", "inverted"))}},
    "eq": _eq,
    "input": lambda name: {"settings": {"input": name}},
    "lock": lambda: {"settings": {"panel_locked": True}},
    "unlock": lambda: {"settings": {"panel_locked": False}},
    "external-mute": _contact("external"),
    "alarm-mute": _contact("alarm"),
}
