"""What is done to simulated devices in the blind test of probable causes, drawn at random and as data.

Whoever draws knows the device through and through; whoever judges sees only what it reports. The same draws are carried
out on pure devices (`cause_bench`) and on running ones (the end-to-end test).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Any, Literal

from fleet.model.cause import CauseKind
from simulators.abilities import Model

Json = dict[str, Any]
Do = Literal["press", "change", "begin", "revert", "power", "fault"]

INJECTED: tuple[CauseKind, ...] = (
    "replaced",
    "firmware",
    "default slot",
    "restart",
    "reverted",
    "external mute",
    "alarm mute",
    "panel mute",
    "slots",
    "recalled",
    "input",
    "edited",
    "controller",
)
HINTS = ("told", "none", "false")
FALSE_HINTS = ("panel", "request", "external")


@dataclass(frozen=True)
class Step:
    """One thing to do: an event of `panel.press`, a controller's work, a fault of the simulation, a power cut."""

    do: Do
    what: Any = None


@dataclass(frozen=True)
class Injection:
    """What is done, and the kinds that are true of it: the one that is meant, and what it brings about besides.

    `before` is done ahead of the first report.
    """

    kind: CauseKind
    steps: tuple[Step, ...]
    brings: frozenset[CauseKind] = frozenset()
    before: tuple[Step, ...] = ()

    @property
    def truth(self) -> frozenset[CauseKind]:
        """Every kind that is true of it."""
        return self.brings | {self.kind}


def draw(chance: Random, kind: CauseKind, model: Model, state: Json) -> Injection | None:
    """Something of this kind that can be done to a device that reports this state; `None` where nothing can."""
    found = list(_possible(chance, kind, model, state))
    return chance.choice(found) if found else None


def _possible(chance: Random, kind: CauseKind, model: Model, state: Json) -> Iterator[Injection]:
    back: CauseKind = "restart" if model.power_up.behaviour == "last_state" else "default slot"
    causes = {cause for output in state["outputs"] for cause in output["mute_causes"]}
    locked = bool(state["panel_locked"])
    match kind:
        case "replaced":
            yield Injection(kind, (Step("fault", f"replaced:NEW-{chance.randrange(10_000)}"),))
        case "firmware":
            version = f"9.{chance.randrange(10_000)}"
            yield Injection(kind, (Step("fault", f"firmware:{version}"),), frozenset({back}))
        case "default slot" | "restart" if kind == back:
            yield Injection(kind, (Step("power"),))
        case "reverted" if model.stages:
            work = {"settings": _level(chance, model, state)}
            yield Injection(kind, (Step("revert"),), before=(Step("begin", work),))
        case "external mute" | "alarm mute":
            cause = kind.removesuffix(" mute")
            yield Injection(kind, (Step("press", {"mute": cause not in causes, "cause": cause}),))
        case "controller":
            for work in _works(chance, model, state):
                yield Injection(kind, (Step("change", work),))
        case "slots":
            yield from _stores(chance, model, state, locked=locked)
        case _ if not locked:
            yield from (Injection(kind, (Step("press", event),)) for event in _hands(chance, kind, model, state))


def _hands(chance: Random, kind: CauseKind, model: Model, state: Json) -> Iterator[Json]:
    if kind == "panel mute":
        yield {"mute": not any("panel" in output["mute_causes"] for output in state["outputs"])}
    elif kind == "recalled":
        yield {"recall": _another_slot(chance, model, state)}
    elif kind == "input" and len(model.inputs) > 1:
        yield {"settings": {"input": chance.choice([name for name in model.inputs if name != state["input"]])}}
    elif kind == "edited":
        yield {"settings": _level(chance, model, state)}
        output = model.outputs[0]
        if output.polarity:
            inverted = "normal" if state["outputs"][0]["polarity"] == "inverted" else "inverted"
            yield {"set": {"polarity": inverted}, "output": 1}
        if output.delay_ms:
            yield {"set": {"delay_ms": (state["outputs"][0]["delay_ms"] + chance.uniform(5, 50)) % 90}, "output": 1}
        if output.eq:
            band = {"shape": "bell", "frequency_hz": chance.uniform(60, 300), "gain_db": -4, "q": 1.5}
            yield {"set": {"eq": [band]}, "output": 1}
        if model.panel_lock:
            yield {"settings": {"panel_locked": True}}


def _works(chance: Random, model: Model, state: Json) -> Iterator[Json]:
    yield {"recall": _another_slot(chance, model, state)}
    yield {"settings": _level(chance, model, state)}
    yield {"settings": _level(chance, model, state), "recall": _another_slot(chance, model, state)}
    if len(model.inputs) > 1:
        yield {"settings": {"input": chance.choice([name for name in model.inputs if name != state["input"]])}}
    if not state["outputs"][0]["mute"]:
        yield {"settings": {"outputs": [{"output": 1, "mute": True}]}}


def _stores(chance: Random, model: Model, state: Json, *, locked: bool) -> Iterator[Injection]:
    slot = chance.choice([n for n in range(1, model.slots.count + 1) if n not in model.slots.factory])
    if not locked:
        yield Injection("slots", (Step("press", {"store": slot}),))
    if not model.slots.store_needs_live:
        outputs = _level(chance, model, state)["outputs"]
        contents = [{"slot": slot, "name": "theirs", "outputs": outputs}]
        yield Injection("slots", (Step("change", {"slot_contents": contents}),))


def _another_slot(chance: Random, model: Model, state: Json) -> int:
    return chance.choice([n for n in range(1, model.slots.count + 1) if n != state["active_slot"]])


def _level(chance: Random, model: Model, state: Json) -> Json:
    number = chance.randint(1, len(model.outputs))
    now = state["outputs"][number - 1]["level_db"]
    return {"outputs": [{"output": number, "level_db": now - chance.randint(2, 9) if now > -40 else now + 9}]}
