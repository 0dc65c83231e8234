"""Agreed deviations: differences that somebody signs for, listed until they end, and told of when they do."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from fleet.errors import BadInput, Moved, NotFound
from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Difference
from fleet.model.names import Name, shown
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.model.venue_time import day_of
from fleet.reconcile.agreeing import SHOWN_FOR, Terms, deviation_of, differences_named, due, last_day, shown_digest
from fleet.reconcile.brief import in_brief, said_of_deviation
from fleet.reconcile.scope import select
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """What somebody signs for: until when, why, and whose matter it is. `who` enters it."""

    until: str
    reason: str
    owner: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Differences of a position as they are now, and the digest that names them."""

    room: Name
    position: Name
    differences: tuple[Difference, ...]
    digest: str


class Deviations:
    """Agrees to differences, and ends that."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        lookout: Lookout,
        changes: Changes,
        notices: Notices,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._desired = desired
        self._lookout = lookout
        self._changes = changes
        self._notices = notices
        self._clock = clock
        self._new_id = new_id

    def listed(self) -> tuple[AgreedDeviation, ...]:
        """Deviations that stand or have ended within 30 days, by position; those that stand first."""
        now = self._clock()
        lately = [d for d in self._desired.deviations.values() if now < d.over + SHOWN_FOR]
        return tuple(sorted(lately, key=lambda d: (not d.stands(now), d.key[:4], d.at)))

    def stands(self, deviation: AgreedDeviation) -> bool:
        """Whether a deviation stands now."""
        return deviation.stands(self._clock())

    async def look(self, room: str, position: str, settings: Collection[str] = ()) -> Found:
        """What would be agreed, freshly read. Raises `NotFound`, `BadInput`, `Refused`, `BrokerDown`."""
        found, _ = await self._look(room, position, settings)
        return found

    async def agree(
        self, room: str, position: str, settings: Collection[str], signed: Signed, *, digest: str
    ) -> tuple[AgreedDeviation, ...]:
        """Agree to the differences that were shown with this digest; those agreed before are agreed anew.

        Raises as `look`, `BadInput` for a day that will not do or where owner or reason is missing, and `Moved` where
        the differences are others by now.
        """
        now, time_zone = self._clock(), self._desired.venue().time_zone
        until = last_day(signed.until, day_of(now, time_zone))
        for option, text in (("--why", signed.reason), ("--owner", signed.owner)):
            if not text.strip():
                raise BadInput("an agreed deviation has a reason and an owner", where=option)
        found, reported = await self._look(room, position, settings)
        if found.digest != digest:
            raise Moved("the differences are others by now", remedy="Look at them again.")
        terms = Terms(
            owner=signed.owner, reason=signed.reason, who=signed.who, at=now, until=until, time_zone=time_zone
        )
        agreed = [deviation_of(d, reported, terms, self._new_id()) for d in found.differences]
        keys = {one.key for one in agreed}
        before = [d for d in self._desired.agreed() if d.key in keys]
        await self._save(*(replace(d, ended=now, ended_by=signed.who) for d in before), *agreed)
        return tuple(agreed)

    async def end(self, room: str, position: str, settings: Collection[str], who: str) -> tuple[AgreedDeviation, ...]:
        """End the deviations of a position, or those of these settings. Raises `NotFound` where none stands."""
        names = {name.replace("-", "_") for name in settings}
        standing = [d for d in self._desired.agreed() if (d.room, d.position) == (room, position)]
        ending = [d for d in standing if not names or d.setting in names]
        if absent := sorted(names - {d.setting for d in ending}):
            raise NotFound(f"no agreed deviation of {shown(absent[0])} stands for {shown(room)}/{shown(position)}")
        if not ending:
            raise NotFound(
                f"no agreed deviation stands for {shown(room)}/{shown(position)}", remedy="`fleet agree` lists them."
            )
        ended = [replace(d, ended=self._clock(), ended_by=who) for d in ending]
        await self._save(*ended)
        return tuple(ended)

    async def tick(self) -> None:
        """Tell of deviations that end in a week, end today, or have ended while nobody could tell."""
        if self._desired.version is None:
            return
        time_zone, now = self._desired.venue().time_zone, self._clock()
        due_now = [t for d in self._desired.deviations.values() if (t := due(d, now, time_zone)) is not None]
        matters: dict[tuple[str, ...], list[AgreedDeviation]] = {}
        for telling in due_now:
            d = telling.deviation
            if self._differs(d):
                matters.setdefault((telling.when, d.room, d.position, d.owner, d.reason), []).append(d)
        for (when, *_), deviations in matters.items():
            await self._tell(deviations, when)
        await self._save(*(telling.deviation for telling in due_now))

    async def _look(self, room: str, position: str, settings: Collection[str]) -> tuple[Found, Reported]:
        place = self._position(room, position)
        self._changes.check_free({place.device})
        outlook = await self._lookout.look([] if place.life_safety else [place.device])
        comparison = self._lookout.compare(outlook, [place])
        differences = differences_named(comparison, room, position, settings)
        reported = outlook.reported[place.device]
        found = Found(room=room, position=position, differences=differences, digest=shown_digest(differences))
        return found, reported

    def _position(self, room: str, position: str) -> Position:
        return select(self._desired.venue(), room, position=position)[0]

    async def _save(self, *deviations: AgreedDeviation) -> None:
        """Write them down; for those who compare they change all at once."""
        for one in deviations:
            await self._store.save_standing(one.id, one)
        if deviations:
            self._desired.deviations = {**self._desired.deviations, **{one.id: one for one in deviations}}

    def _differs(self, deviation: AgreedDeviation) -> bool:
        """Whether what was agreed still differs from what is desired, by what its device last told."""
        try:
            position = self._position(deviation.room, deviation.position)
        except NotFound:
            return False
        outlook = self._lookout.glance([position.device])
        comparison = self._lookout.compare(outlook, [position])
        if comparison.not_checked:
            return True
        keys = {(d.room, d.position, d.subject, d.setting, d.slot) for d in comparison.differences}
        return deviation.key in keys

    async def _tell(self, deviations: Sequence[AgreedDeviation], when: str) -> None:
        """Tell of all deviations of a position that somebody signed for together, in one notice."""
        one = deviations[0]
        what = f"{one.room}/{one.position} ({in_brief([said_of_deviation(d) for d in deviations])}; {one.reason})"
        words = f"The deviation of {what}, agreed by {one.owner}, {when}; then it counts as a difference again."
        if when.startswith("has"):
            words = f"The deviation of {what}, agreed by {one.owner}, {when}: it counts as a difference again."
        notice = self._notices.about("deviation", words, room=one.room)
        way_out = f"fleet apply {one.room} --position {one.position}"
        await self._notices.give(
            replace(
                notice,
                positions=(one.position,),
                devices=tuple(sorted({d.device for d in deviations})),
                grade=max(d.grade for d in deviations),
                way_out=way_out,
            ),
            beside={d.id: d for d in deviations},
        )
