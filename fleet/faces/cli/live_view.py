"""What the live view shows: rooms, drift and notices, brought up to date by events. No terminal and no network here."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from fleet.faces.cli.clock import NO_VENUE, Clock
from fleet.faces.documents import Document

MOST_NOTICES: Final = 50
_ENDS: Final = {"over", "back", "link back"}


@dataclass(slots=True, kw_only=True)
class View:
    """The newest that is known. While the connection is `lost`, it is as old as that."""

    room: str | None = None
    """The only room to look at; all of them where there is none."""
    clock: Clock = NO_VENUE
    rooms: dict[str, Document] = field(default_factory=dict)
    notices: list[Document] = field(default_factory=list)
    """The last one first."""
    drift: list[Document] = field(default_factory=list)
    link_trouble: str = ""
    lost: str = ""
    lost_at: datetime | None = None

    def concerns(self, event: Document) -> bool:
        """Whether an event is about what is looked at."""
        if self.room is None:
            return True
        match event["event"]:
            case "room":
                return bool(event["room"]["room"] == self.room)
            case "notice":
                return bool(event["notice"]["room"] in ("", self.room))
            case "change" | "device" | "drift" as kind:
                return bool(self.room in event[kind]["rooms"])
            case _:
                return True

    def looked(self, status: Document, rooms: Document, notices: Document, drift: Document) -> Iterator[Document]:
        """Take all that there is; events for those rooms that are not as they were known to be, and for new notices."""
        self.clock = Clock.of(notices)
        self.link_trouble = status["link_trouble"]
        self.take_drift(drift)
        told = {notice["id"] for notice in self.notices}
        self.notices = notices["notices"][:MOST_NOTICES]
        for notice in reversed(self.notices):
            if notice["id"] not in told:
                yield {"format": "fleet-event/1", "event": "notice", "at": notice["at"], "notice": notice}
        known, self.rooms = self.rooms, {}
        for row in rooms["rooms"]:
            if self.room not in (None, row["room"]):
                continue
            now = {name: row[name] for name in ("room", "name", "same", "words")}
            self.rooms[row["room"]] = now
            if known.get(row["room"]) != now:
                yield {"format": "fleet-event/1", "event": "room", "room": now}

    def take_drift(self, drift: Document) -> None:
        """Take the open episodes of drift."""
        self.drift = [row for row in drift["episodes"] if self.room is None or self.room in row["rooms"]]

    def _take_episode(self, episode: Document, *, over: bool) -> None:
        """Put an episode in the place of what it was."""
        place = (episode["kind"], episode["device"], episode["positions"])
        others = [e for e in self.drift if (e["kind"], e["device"], e["positions"]) != place]
        self.drift = others if over or episode["state"] == "over" else [episode, *others]

    def take(self, event: Document, now: datetime) -> bool:
        """Take an event; whether it says anything new."""
        match event["event"]:
            case "lost":
                self.lost, self.lost_at = event["words"], now
            case "begin" | "gap":
                again = bool(self.lost)
                self.lost, self.lost_at = "", None
                return again
            case "room":
                row = event["room"]
                new = bool(self.rooms.get(row["room"]) != row)
                self.rooms[row["room"]] = row
                return new
            case "notice":
                if any(n["id"] == event["notice"]["id"] for n in self.notices):
                    return False
                self.notices = [event["notice"], *self.notices][:MOST_NOTICES]
            case "drift":
                self._take_episode(event["drift"], over=event["what"] in _ENDS)
            case "link":
                self.link_trouble = event["trouble"]
        return True


def line_of(event: Document) -> str:
    """An event as a line for people, without its time."""
    kind = event["event"]
    return _LINES[kind](event) if kind in _LINES else str(kind)


def notice_line(notice: Document) -> str:
    """A notice in a line: where, what, why, and what to do."""
    room = f"{notice['room']}: " if notice["room"] and notice["room"] not in notice["words"] else ""
    cause = f" Probable cause: {notice['cause']}." if notice["cause"] and notice["cause"] not in notice["words"] else ""
    way_out = notice["way_out"] if notice["way_out"] not in notice["words"] else ""
    if way_out.startswith("fleet "):
        way_out = f"`{way_out}`"
    if way_out.startswith("`"):
        way_out = f"Way out: {way_out}"
    words = notice["words"] if notice["words"].endswith(".") or not (cause or way_out) else f"{notice['words']}."
    return f"{room}{words}{cause}{f' {way_out}' if way_out else ''}"


def _change_line(event: Document) -> str:
    change = event["change"]
    return f"change {change['id']} ({change['kind']} {change['scope']}, {change['who']}): {change['state']}"


def _device_line(event: Document) -> str:
    device = event["device"]
    return f"{device['device']}: {device['was'] or 'not listed'} -> {device['status'] or 'not listed'}"


_LINES: Final[Mapping[str, Callable[[Document], str]]] = {
    "begin": lambda _: "connected",
    "gap": lambda _: "connected; what happened in between is not known",
    "lost": lambda event: f"not connected: {event['words']}; trying again",
    "room": lambda event: f"{event['room']['room']}: {event['room']['words']}",
    "notice": lambda event: notice_line(event["notice"]),
    "drift": lambda event: f"{event['what']}: {event['drift']['words']}",
    "change": _change_line,
    "device": _device_line,
    "link": lambda event: f"link to the devices: {event['trouble'] or 'works again'}",
}
