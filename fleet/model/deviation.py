"""An agreed deviation: a difference that somebody signed for, with owner, reason and the last day on which it holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from fleet.model.difference import Agreed, Grade, Subject
from fleet.model.names import Id, Name, OutputNumber, SlotNumber
from fleet.model.settings import DeviceSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreedDeviation:
    """One setting of a position that may be as it was found, up to the end of the day `until` on the venue's clock.

    It binds to what was found: `settings` holds that one setting and nothing else, `active_slot` the slot where the
    deviation is about that. `wanted`, `found` and `words` are those of the difference when it was agreed. `ends` is
    the end of the last day; `ended` is given where somebody ended it earlier.
    """

    id: Id
    room: Name
    position: Name
    device: Id
    output: OutputNumber
    subject: Subject
    setting: str
    slot: SlotNumber | None = None
    settings: DeviceSettings = field(default_factory=DeviceSettings)
    active_slot: SlotNumber | None = None
    grade: Grade
    words: str
    wanted: str
    found: str
    owner: str
    reason: str
    who: str
    at: datetime
    until: date
    ends: datetime
    ended: datetime | None = None
    ended_by: str = ""
    told_week: bool = False
    """That it ends in a week was told, or need not be."""
    told_end: bool = False
    """That it ends was told."""

    @property
    def key(self) -> tuple[Name, Name, Subject, str, SlotNumber | None]:
        """Position, and what of it: at most one stands for each."""
        return self.room, self.position, self.subject, self.setting, self.slot

    @property
    def agreed(self) -> Agreed:
        """What is shown beside the difference."""
        return Agreed(owner=self.owner, reason=self.reason, until=self.until)

    def stands(self, now: datetime) -> bool:
        """Whether it has begun and has not ended at a moment."""
        return self.at <= now < self.over

    @property
    def over(self) -> datetime:
        """When it ended, or will."""
        return self.ends if self.ended is None else min(self.ended, self.ends)
