"""Who answers on a walk: a person at the terminal, or a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import typer

from fleet.desired.walk_answers import AnswersFile
from fleet.errors import FleetError
from fleet.faces.cli import show
from fleet.faces.documents import Document
from fleet.model.edge import plain

QUESTIONS = {
    "place": "right place?",
    "source": "right source?",
    "sound": "right sound?",
    "polarity": "right polarity?",
}
ANSWERS = {"y": "yes", "yes": "yes", "n": "no", "no": "no", "?": "not sure", "not sure": "not sure"}
MOVES = {"b": "back", "r": "repeat", "s": "skip", "q": "quit"}
HOW = "y yes, n no, ? not sure; or b back, r repeat, s skip, q quit"
ONWARDS = "n next, b back, r repeat, q quit"


@dataclass(frozen=True, slots=True)
class Go:
    """Where to go next: a move of a walk or `quit`, and why where it is to be told."""

    move: str
    why: str = ""


class Answering(Protocol):
    """Answers for the position under test."""

    def answers(self, now: Document) -> Document | Go:
        """The answers, or where to go without them."""
        ...

    def onwards(self) -> Go:
        """Where to go after answers."""
        ...

    def after_failure(self, error: FleetError) -> Go:
        """Where to go when a position could not be tried."""
        ...


@dataclass(frozen=True, slots=True)
class FromFile:
    """Answers of a file, in the order of the walk."""

    file: AnswersFile

    def answers(self, now: Document) -> Document | Go:
        """What the file has, or why it has nothing."""
        found = self.file.answers(now["position"])
        return Go("skip", self.file.why_not(now["position"])) if found is None else dict(plain(found))

    def onwards(self) -> Go:
        """On."""
        return Go("next")

    def after_failure(self, error: FleetError) -> Go:
        """On, and the failure is why."""
        return Go("skip", error.what)


@dataclass(slots=True)
class FromPerson:
    """Answers of a person at the terminal, who names an instrument once."""

    instrument: dict[str, str] = field(default_factory=dict)

    def answers(self, now: Document) -> Document | Go:
        """Ask the four questions, then notes and what was measured."""
        given: Document = {}
        show.tell(f"  {HOW}")
        for name, question in QUESTIONS.items():
            word = _choice(question, {**ANSWERS, **MOVES})
            if word in MOVES.values():
                return Go(word)
            given[name] = word
        given["notes"] = _ask("notes, or Enter for none")
        if now["expected_ohm"] is not None:
            given["impedance_ohm"] = _number(f"line impedance in ohm ({now['expected_ohm']:.4g} expected), or Enter")
        given["level_db"] = _number("level in dB, or Enter")
        if given.get("impedance_ohm") is not None or given["level_db"] is not None:
            given |= self._instrument()
        return given

    def onwards(self) -> Go:
        """Ask where to go; Enter is on."""
        show.tell("  Pause the source first. Between two positions the room is as it was before.")
        return Go(_choice(ONWARDS, {"": "next", "n": "next", **{k: v for k, v in MOVES.items() if v != "skip"}}))

    def after_failure(self, error: FleetError) -> Go:
        """Tell it, and ask what to do."""
        show.tell(str(error))
        return Go(_choice("r repeat, s skip, q quit", {k: v for k, v in MOVES.items() if v != "back"}))

    def _instrument(self) -> dict[str, str]:
        while not self.instrument:
            if name := _ask("measured with which instrument"):
                self.instrument = {"instrument": name, "instrument_serial": _ask("its serial number")}
        return self.instrument


def _ask(question: str) -> str:
    return str(typer.prompt(f"  {question}", default="", show_default=False, err=True)).strip()


def _choice(question: str, words: dict[str, str]) -> str:
    while (word := words.get(_ask(question).lower())) is None:
        show.tell(f"  one of: {', '.join(w or 'Enter' for w in words if len(w) <= 1)}")
    return word


def _number(question: str) -> float | None:
    while text := _ask(question).replace(",", "."):
        try:
            return float(text)
        except ValueError:
            show.tell("  a number, as in 62.5; or Enter for none")
    return None
