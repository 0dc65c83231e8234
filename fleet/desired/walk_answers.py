"""A file of answers for a walk: what would be heard and measured at each position, as a person would say it."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import BeforeValidator, Field, ValidationError, model_validator

from fleet.desired.kinds import Decibel, NameText, PositiveNumber, Text, said, text_of, whole_of
from fleet.desired.nodes import document
from fleet.desired.parts import Part
from fleet.desired.sentences import faults, problem_at
from fleet.errors import BadInput, Complaint
from fleet.model.walk import Answers

AnswerText = Annotated[Literal["yes", "no", "not sure"], BeforeValidator(text_of)]
QUESTIONS: Final = ("place", "source", "sound", "polarity")


class AnswersPart(Part):
    """The answers for a position: all four, or the reason why it is skipped."""

    place: AnswerText | None = None
    source: AnswerText | None = None
    sound: AnswerText | None = None
    polarity: AnswerText | None = None
    notes: Text | None = None
    impedance_ohm: PositiveNumber | None = None
    level_db: Decibel | None = None
    skip: Text | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.skip is not None:
            if self.given() != {"skip"}:
                raise said("is skipped, and has answers all the same")
        elif missing := [name for name in QUESTIONS if getattr(self, name) is None]:
            raise said(f"has no answer for {', '.join(missing)}; give all four, or `skip: REASON`")
        return self


class AnswersFile(Part):
    """The file: answers by position, and what was measured with."""

    format: Annotated[Literal[1], BeforeValidator(whole_of)]
    instrument: Text | None = None
    instrument_serial: Text | None = None
    positions: Annotated[dict[NameText, AnswersPart], Field(min_length=1)]

    @model_validator(mode="after")
    def _measured_with_something(self) -> Self:
        values = (value for part in self.positions.values() for value in (part.impedance_ohm, part.level_db))
        if self.instrument is None and any(value is not None for value in values):
            raise said("has measured values and no `instrument`")
        return self

    def answers(self, position: str) -> Answers | None:
        """What the file says of a position; `None` where it is skipped or not named."""
        part = self.positions.get(position)
        if part is None or part.place is None or part.source is None or part.sound is None or part.polarity is None:
            return None
        measured = part.impedance_ohm is not None or part.level_db is not None
        return Answers(
            place=part.place,
            source=part.source,
            sound=part.sound,
            polarity=part.polarity,
            notes=part.notes or "",
            impedance_ohm=part.impedance_ohm,
            level_db=part.level_db,
            instrument=self.instrument or "" if measured else "",
            instrument_serial=self.instrument_serial or "" if measured else "",
        )

    def why_not(self, position: str) -> str:
        """Why a position without answers is skipped."""
        part = self.positions.get(position)
        return (part.skip or "") if part is not None else "the file of answers does not name it"


def read_answers(text: str, file: str) -> AnswersFile:
    """The answers of a file's text. Raises `BadInput` with all that is wrong, a line each, at `file:line:column`."""
    doc = document(text)
    problems = list(doc.problems)
    found: AnswersFile | None = None
    if doc.data is not None and not problems:
        try:
            found = AnswersFile.model_validate(doc.data)
        except ValidationError as error:
            problems += {problem_at(doc, *fault) for fault in faults(error, AnswersFile)}
    if found is None or problems:
        lines = [str(Complaint(file, p.line, p.column, p.text)) for p in sorted(problems)]
        raise BadInput("\n".join([*lines, "the answers are not taken"]))
    return found
