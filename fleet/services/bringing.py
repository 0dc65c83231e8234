"""Rooms are brought into modes unasked, for a schedule or a contact: never over people, and never in silence."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal, Protocol

from fleet.errors import FleetError, Refused
from fleet.model.days import HOUSE_MODE
from fleet.model.listing import listed
from fleet.model.notice import Notice
from fleet.model.plan import LeftOut
from fleet.model.selecting import ToldOff
from fleet.model.standing import RoomMode
from fleet.reconcile.bundles import Bundle, bundles
from fleet.services.desired import Desired
from fleet.services.in_use import InUse
from fleet.services.notices import Notices
from fleet.store.protocol import Store

AGAIN_AFTER: Final = timedelta(hours=12)
"""What was not done for the same reason sooner than this is the same matter, and not told again."""


class Recaller(Protocol):
    """Recalls rooms in modes."""

    async def bring(self, modes: Mapping[str, str], *, who: str, why: str) -> tuple[LeftOut, ...]:
        """Bring rooms into modes, all or none, asking for no guard to be lifted; the positions that were left out.

        Returns once it is verified. Raises the `FleetError` for which it was not done.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """What selects a mode: its kind of notice, who that is, why, and the words for it that end a sentence."""

    kind: Literal["schedule", "contact"]
    who: str
    why: str
    words: str


class Bringing:
    """Brings rooms into modes, and gives notice where it cannot."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        notices: Notices,
        in_use: InUse,
        recaller: Recaller,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desired = desired
        self._notices = notices
        self._in_use = in_use
        self._recaller = recaller
        self._clock = clock
        self._closing = False

    def close(self) -> None:
        """The daemon stops: what fails from here on is not told, and is to be done again."""
        self._closing = True

    def bundles(self, wanted: Mapping[str, str]) -> tuple[Bundle, ...]:
        """The modes wanted of rooms, sorted into those that are brought about together."""
        present = {room: standing.mode for room, standing in self._desired.modes.items()}
        return bundles(self._desired.in_force().venue, present, wanted)

    def standing(self, room: str) -> RoomMode | None:
        """The mode that was last brought about in a room, if ever one was; a mode that the files lost is none."""
        found = self._desired.modes.get(room)
        known = self._desired.in_force().venue.rooms.get(room)
        if found is None or known is None or found.mode in (HOUSE_MODE, *known.modes):
            return found
        return replace(found, mode=HOUSE_MODE)

    def stands(self, modes: Mapping[str, str]) -> bool:
        """Whether rooms are in these modes already."""
        return all(
            (HOUSE_MODE if (found := self.standing(room)) is None else found.mode) == mode
            for room, mode in modes.items()
        )

    async def refused(self, bundle: Bundle, reason: Reason) -> bool:
        """Whether people use the rooms now; that is told once for as long as it stays so."""
        use = await self._in_use.why(bundle.brings.keys(), bundle.devices)
        if use is None:
            return False
        if (first := await self._first(_room(bundle), use.words, None if use.lasts else AGAIN_AFTER)) is not None:
            await self.missed(bundle, reason, use.words, beside=first)
        return True

    async def bring(self, bundle: Bundle, reason: Reason) -> None:
        """Bring rooms into modes, unless they are there already or in use. Raises only where the daemon stops."""
        if self.stands(bundle.brings) or await self.refused(bundle, reason):
            return
        try:
            left_out = await self._recaller.bring(bundle.wanted, who=reason.who, why=reason.why)
        except FleetError as error:
            if self._closing:
                raise
            first = await self._first(_room(bundle), f"{_into(bundle, '')}: {error.what}", AGAIN_AFTER)
            if first is not None:
                words = f"{_into(bundle, 'could not be brought')} {reason.words}: {str(error).rstrip('.')}."
                notice = self._about(bundle, reason, words)
                if isinstance(error, Refused) and "shared-device" in error.guards:
                    notice = replace(notice, way_out=f"{notice.way_out}{self._also(bundle)}")
                await self._notices.give(notice, beside=first)
            return
        await self._store.drop_standing(ToldOff, _room(bundle))
        await self._tell_left_out(bundle, reason, left_out)

    async def missed(
        self, bundle: Bundle, reason: Reason, words: str, *, beside: Mapping[str, object] | None = None
    ) -> None:
        """Tell that rooms were not brought into modes, and will not be; what is to stand is written `beside` it."""
        words = f"{_into(bundle, 'was not brought')} {reason.words}: {words}."
        await self._notices.give(self._about(bundle, reason, words), beside=beside)

    async def _tell_left_out(self, bundle: Bundle, reason: Reason, left_out: tuple[LeftOut, ...]) -> None:
        """Name boxes that were left out; the same ones are not named each time."""
        key = f"{_room(bundle)} without"
        if not left_out:
            await self._store.drop_standing(ToldOff, key)
            return
        devices = tuple(dict.fromkeys(one.device for one in left_out))
        if (first := await self._first(key, listed(devices), None)) is not None:
            missing = listed([f"{one.position} ({one.words})" for one in left_out])
            words = f"{_into(bundle, 'was brought')} {reason.words}, without {missing}."
            positions = tuple(f"{one.room}/{one.position}" for one in left_out)
            notice = self._about(bundle, reason, words)
            await self._notices.give(replace(notice, positions=positions, devices=devices), beside=first)

    async def _first(self, key: str, words: str, again_after: timedelta | None) -> Mapping[str, ToldOff] | None:
        """What is to stand once this is told; `None` where it was the last for the key, and that not long ago."""
        now, last = self._clock(), (await self._store.standing(ToldOff)).get(key)
        if last is not None and last.words == words and (again_after is None or now - last.at < again_after):
            return None
        return {key: ToldOff(words=words, at=now)}

    def _also(self, bundle: Bundle) -> str:
        """The options that name the other rooms which devices of these rooms serve."""
        positions = self._desired.in_force().venue.positions()
        others = {p.room for p in positions if p.device in bundle.devices} - bundle.brings.keys()
        return "".join(f" --also {room}" for room in sorted(others))

    def _about(self, bundle: Bundle, reason: Reason, words: str) -> Notice:
        room, mode = next(iter(bundle.wanted.items()))
        return replace(self._notices.about(reason.kind, words, room=room), way_out=f"fleet recall {room} --mode {mode}")


def _room(bundle: Bundle) -> str:
    return next(iter(bundle.wanted))


def _into(bundle: Bundle, verb: str) -> str:
    """`hall was brought into day`, or the same of several rooms."""
    rooms = listed(list(bundle.wanted))
    modes = listed(list(dict.fromkeys(bundle.wanted.values())))
    return f"{rooms} {verb if len(bundle.wanted) == 1 else verb.replace('was', 'were')} into {modes}"
