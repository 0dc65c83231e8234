"""Capture: write what devices report as desired state, in a room of their own or in one that is there."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

from fleet.desired.editing import RoomText
from fleet.desired.load import load
from fleet.desired.notation import block
from fleet.desired.reading import read_venue
from fleet.desired.version import Version
from fleet.drivers.protocol import Driver
from fleet.errors import Complaint
from fleet.model.days import HOUSE_MODE
from fleet.model.difference import Difference
from fleet.model.names import NAME_PATTERN, shown
from fleet.model.state import Reported
from fleet.model.venue_time import day_of
from fleet.reconcile.capture import captured_room, position_data, want_slots
from fleet.reconcile.capture_amend import amended, left_open
from fleet.reconcile.capture_names import position_names
from fleet.reconcile.capture_values import CapturedOutput, captured
from fleet.reconcile.compare import compare
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.services.capture_targets import Objections, file_of_room, refuse_all, targets
from fleet.services.desired import Desired
from fleet.services.editing import Edited, Editing, Files, changes_between
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout

VENUE_FILE: Final = "venue.yaml"
SECTIONS: Final = ("curves", "groups", "positions")
"""Parts of a room file with a line for each of their members."""
SHORT: Final = 4
"""With more members than this, the defaults have a line for each, too."""
NAME_IT: Final = "give it another with DEVICE=POSITION"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedCapture:
    """What to capture: these devices, or all that no position names; into which room, and which file.

    `called` names positions by device, in place of the device's id.
    """

    room: str
    devices: tuple[str, ...] = ()
    all_unbound: bool = False
    into: str | None = None
    called: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """A capture: the room's file as it will be or is, and what has to be told of it.

    `notes` are (position, words); `skipped` are (device, why it was left out); `against` are errors of the design
    check that keep it from being put in force; `differences` are what would still differ right after.
    """

    room: str
    file: str
    text: str
    files: Mapping[str, str | None]
    positions: tuple[tuple[str, str, int], ...]
    notes: tuple[tuple[str, str], ...]
    skipped: tuple[tuple[str, str], ...]
    against: tuple[Complaint, ...]
    differences: tuple[Difference, ...]
    edited: Edited | None = None


class Capturing:
    """Captures devices."""

    def __init__(
        self,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        editing: Editing,
        in_use: InUse,
        clock: Callable[[], datetime],
    ) -> None:
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._editing = editing
        self._in_use = in_use
        self._clock = clock

    async def plan(self, asked: AskedCapture, who: str) -> Captured:
        """Read the devices and work out what would be written, writing nothing.

        Raises `BadInput` with everything that speaks against it at once, or `Refused` where nothing is loaded, and
        where what the devices report is not to stay: in a walk, a change or with a guest.
        """
        return self._work_out(asked, self._desired.in_force(), *await self._read(asked), who)

    async def capture(
        self, asked: AskedCapture, who: str, note: str = "", beside: Mapping[str, str | None] | None = None
    ) -> Captured:
        """Read the devices, write the room and put it in force. See `Editing.put` for `beside` and for refusals."""
        reported, skipped = await self._read(asked)
        worked: list[Captured] = []

        def edit(files: Files) -> Files:
            worked.append(self._work_out(asked, load(files), reported, skipped, who))
            return _with(files, worked[0].files)

        note = note or f"capture of {asked.room}"
        edited = await self._editing.put(edit, who=who, note=note, beside=beside)
        return replace(worked[0], edited=edited)

    async def _read(self, asked: AskedCapture) -> tuple[dict[str, Reported], tuple[tuple[str, str], ...]]:
        """What the devices report now, and which were left out and why."""
        devices, skipped, objections = targets(
            self._inventory, self._desired.in_force(), asked.room, asked.devices, all_unbound=asked.all_unbound
        )
        file_of_room(self._desired.in_force(), asked.room, asked.into, objections)
        await self._in_use.refuse_passing([asked.room], devices)
        reported, silent = await self._lookout.read(devices)
        if not asked.all_unbound:
            objections.extend(silent.values())
        else:
            skipped.extend((device, words) for device, words in sorted(silent.items()))
        for device, one in sorted(reported.items()):
            if one.state.change is not None:
                objections.append(f"{device} is in the middle of change {one.state.change.id}; let it end first")
        read = {device: reported[device] for device in devices if device in reported}
        self._outputs(asked, self._desired.in_force(), read, objections)
        refuse_all(objections)
        return read, tuple(skipped)

    def _work_out(
        self,
        asked: AskedCapture,
        version: Version,
        reported: Mapping[str, Reported],
        skipped: tuple[tuple[str, str], ...],
        who: str,
    ) -> Captured:
        objections: Objections = []
        file = file_of_room(version, asked.room, asked.into, objections)
        outputs = self._outputs(asked, version, reported, objections)
        refuse_all(objections)
        if asked.room in version.venue.rooms:
            text, notes = self._amended(file, version, outputs)
        else:
            text, notes = self._new_room(asked.room, version, outputs, who)
        files = _with(version.files, {file: text})
        after = load(files)
        return Captured(
            room=asked.room,
            file=file,
            text=text,
            files=changes_between(version.files, files),
            positions=tuple((one.position, one.device, one.output) for one in outputs),
            notes=notes,
            skipped=skipped,
            against=self._editing.new_errors(files),
            differences=self._differences(after, asked.room, reported),
        )

    def _outputs(
        self, asked: AskedCapture, version: Version, reported: Mapping[str, Reported], objections: Objections
    ) -> list[CapturedOutput]:
        """The outputs under the names that their positions have or get."""
        room = version.venue.rooms.get(asked.room)
        if room and (mode := self._desired.venue().rooms[asked.room].mode) != HOUSE_MODE:
            out = f"`fleet recall {asked.room} --mode {HOUSE_MODE}` brings it out of it"
            objections.append(f"{asked.room} is in mode {mode}, but a capture writes the room without modes; {out}")
        names = {(p.device, p.output): p.name for p in room.positions.values()} if room else {}
        taken = {name: f"{device}, output {output}" for (device, output), name in names.items()}
        groups = frozenset(room.groups) if room else frozenset()
        outputs: list[CapturedOutput] = []
        for called in asked.called.values():
            if re.fullmatch(NAME_PATTERN, called) is None:
                text = f"{shown(called)!r} is no name for a position: lower case letters, digits and hyphens"
                objections.append(text)
        for device, one in reported.items():
            served = {output for other, output in names if other == device}
            for output, name in position_names(one.description, asked.called.get(device, "")).items():
                bound = names.get((device, output))
                if served and bound is None:
                    continue  # the room names outputs of this device, and not this one
                if bound is None and (name in taken or name in groups):
                    whose = f"of {taken[name]}" if name in taken else "of a group"
                    objections.append(f"{device} would be position {name}, which is the name {whose}; {NAME_IT}")
                    continue
                if bound is None:
                    taken[name] = f"{device}, output {output}"
                outputs.append(captured(bound or name, one, output, self._driver.representable))
        return outputs

    def _new_room(
        self, room: str, version: Version, outputs: Sequence[CapturedOutput], who: str
    ) -> tuple[str, tuple[tuple[str, str], ...]]:
        venue = read_venue(version.files[VENUE_FILE]).file
        made = captured_room(room, outputs, self._driver.representable, venue.curves if venue else ())
        today = day_of(self._clock(), version.venue.time_zone)
        head = f"# Captured on {today} by {shown(who)}, from what the devices reported.\n"
        return head + room_text(made.data), made.notes

    def _amended(
        self, file: str, version: Version, outputs: Sequence[CapturedOutput]
    ) -> tuple[str, tuple[tuple[str, str], ...]]:
        """The room's text with its positions made to want what is reported; those that are missing are added."""
        text = RoomText(version.files[file], file)
        for one in outputs:
            if one.position not in text.positions():
                text = text.add(one.position, position_data(one, {}))
        wants = self._wants(load(_with(version.files, {file: text.text})), {one.device for one in outputs})
        want_slots(outputs)
        notes: list[tuple[str, str]] = []
        text = text.put_each({one.position: amended(one, wants.get(one.device)) for one in outputs})
        for one in outputs:
            notes += [(one.position, words) for words in (*one.notes, *left_open(one, wants.get(one.device)))]
        return text.text, tuple(notes)

    def _differences(self, after: Version, room: str, reported: Mapping[str, Reported]) -> tuple[Difference, ...]:
        wants = self._wants(after, reported)
        found = compare([(wanted, reported[device]) for device, wanted in wants.items()])
        return tuple(one for one in found.differences if one.room == room)

    def _wants(self, version: Version, devices: Collection[str]) -> dict[str, WantedDevice]:
        descriptions = self._inventory.descriptions()
        wants, _ = wanted_devices(version.venue, sorted(devices), descriptions, self._driver.representable)
        return wants


def room_text(data: Mapping[str, Any]) -> str:
    """A captured room as the text of its file."""
    long = ("defaults",) if len(data.get("defaults", ())) > SHORT else ()
    return block(data, spread=(*SECTIONS, *long))


def _with(files: Files, new: Mapping[str, Any]) -> dict[str, str]:
    return {path: text for path, text in {**files, **new}.items() if text is not None}
