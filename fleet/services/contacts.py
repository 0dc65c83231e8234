"""Partition contacts and wall panels: what they tell on the broker brings rooms into modes, once it has stood."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from fleet.desired.version import Version
from fleet.model.days import Contact
from fleet.model.names import shown
from fleet.model.notice import Notice
from fleet.model.selecting import ContactMark
from fleet.reconcile.contacts import NO_TEXT, Chatter, Counts, Line, after, compared, heard, judge, value_of
from fleet.services.bringing import Bringing, Reason
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.store.protocol import Store

MOST_UNKNOWN: Final = 8
"""Unknown values of one topic that are told, until the files change."""

ByRoom = Mapping[str, Contact]


class Contacts:
    """Hears contacts and does what their values stand for."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        notices: Notices,
        bringing: Bringing,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desired = desired
        self._notices = notices
        self._bringing = bringing
        self._clock = clock
        self._version: Version | None = None
        self._contacts: Mapping[str, ByRoom] = {}
        self._lines: dict[str, Line] = {}
        self._opened = False
        self._unknown: dict[str, set[str]] = defaultdict(set)
        self._followers: list[Callable[[frozenset[str]], None]] = []

    def follow(self, follower: Callable[[frozenset[str]], None]) -> None:
        """Tell `follower` the topics to be heard, now and whenever they change."""
        self._take()
        self._followers.append(follower)
        follower(frozenset(self._contacts))

    def heard(self, topic: str, payload: bytes, kept: bool = False) -> None:
        """Take a message; `kept` by the broker before we subscribed. What comes of it is seen at a tick."""
        self._take()
        value = value_of(payload)
        if topic in self._contacts and value is not None:
            line = self._lines.get(topic, Line())
            repeats = any(contact.repeats for contact in self._contacts[topic].values())
            self._lines[topic] = heard(line, value, self._clock(), present=kept, repeats=repeats)

    async def tick(self) -> None:
        """Do what has come of the messages by now."""
        self._take()
        if not self._opened:
            await self._open()
        for topic in [topic for topic in self._lines if topic in self._contacts]:
            settle = timedelta(seconds=max(c.settle_s for c in self._contacts[topic].values()))
            while (outcome := judge(self._lines[topic], self._clock(), settle)) is not None:
                if isinstance(outcome, Chatter):
                    await self._tell_chatter(topic, outcome)
                else:
                    await self._count(topic, outcome)
                self._lines[topic] = after(self._lines[topic], outcome)
                if topic not in self._contacts:  # the files changed meanwhile
                    break

    async def _open(self) -> None:
        """Take what counted last before the daemon stopped: to hear it again is nothing new."""
        for topic, mark in (await self._store.standing(ContactMark)).items():
            self._lines[topic] = replace(self._lines.get(topic, Line()), counted=mark.value)
        self._opened = True

    def _take(self) -> None:
        """Follow the version in force."""
        version = self._desired.version
        if version is None or version is self._version:
            return
        found: dict[str, dict[str, Contact]] = defaultdict(dict)
        for name, room in version.venue.rooms.items():
            for contact in room.contacts:
                known = found[contact.topic].get(name)
                found[contact.topic][name] = (
                    contact if known is None else replace(known, modes={**known.modes, **contact.modes})
                )
        topics = self._contacts.keys()
        self._version, self._contacts = version, dict(found)
        self._unknown.clear()
        if topics != self._contacts.keys():
            for topic in topics - self._contacts.keys():
                self._lines.pop(topic, None)
            for follower in self._followers:
                follower(frozenset(self._contacts))

    async def _count(self, topic: str, counts: Counts) -> None:
        """A value counts: bring the rooms into the modes that it stands for."""
        wanted = {
            room: mode
            for room, contact in self._contacts[topic].items()
            for value, mode in contact.modes.items()
            if compared(value) == counts.value
        }
        if not wanted:
            await self._tell_unknown(topic, counts.value)
        who = f"contact {topic}"
        if counts.present:
            wanted = {room: mode for room, mode in wanted.items() if self._last_by(who, room)}
        reason = Reason(
            kind="contact",
            who=who,
            why=f"{topic} says {shown(counts.value)}",
            words=f"by the contact {topic}, which says {shown(counts.value)}",
        )
        for bundle in self._bringing.bundles(wanted):
            await self._bringing.bring(bundle, reason)
        await self._store.save_standing(topic, ContactMark(topic=topic, value=counts.value))

    def _last_by(self, who: str, room: str) -> bool:
        """Whether a room is in its mode by this contact. Where a person chose another since, what was kept is old."""
        standing = self._bringing.standing(room)
        return standing is not None and standing.who == who

    async def _tell_chatter(self, topic: str, chatter: Chatter) -> None:
        words = (
            f"the contact {topic} changed {chatter.flips} times within a minute; it is left out of account until it "
            "has been quiet for a minute."
        )
        await self._notices.give(self._about(topic, words, "Look at the contact and its cable."))

    async def _tell_unknown(self, topic: str, value: str) -> None:
        """Told once for each value, and not for ever new ones."""
        told = self._unknown[topic]
        if value in told or len(told) >= MOST_UNKNOWN:
            return
        told.add(value)
        what = "something that is no value" if value == NO_TEXT else f"`{shown(value)}`"
        known = ", ".join(dict.fromkeys(value for c in self._contacts[topic].values() for value in c.modes))
        words = f"the contact {topic} says {what}, for which no mode is given; nothing is done. Known are: {known}."
        await self._notices.give(self._about(topic, words, "Give it a mode in the room's `contacts`, and load that."))

    def _about(self, topic: str, words: str, way_out: str) -> Notice:
        rooms = sorted(self._contacts[topic])
        notice = self._notices.about("contact", words, room=rooms[0] if len(rooms) == 1 else "")
        return replace(notice, way_out=way_out)
