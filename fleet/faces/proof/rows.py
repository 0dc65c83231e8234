"""A snapshot's body as rows, one a setting; from plain data, so that files of other releases can be shown, too."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fleet.faces.documents import Document


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingRow:
    """One setting of a device: live, or in a slot. `output` is empty for those of the device as a whole."""

    device: str
    serial: str
    model: str
    firmware: str
    subject: str
    output: str
    setting: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRows:
    """A device with its rows, and the time it is of by its own account."""

    device: str
    serial: str
    model: str
    firmware: str
    rows: tuple[SettingRow, ...]


def devices_of(body: Document) -> Iterator[DeviceRows]:
    """Every device of a body, in its order."""
    for reported in body["devices"]:
        told, state = _members(reported, "description"), _members(reported, "state")
        identity = {name: value_text(told.get(name)) for name in ("serial", "model", "firmware")}
        device = value_text(state.get("id") or told.get("id"))
        rows = tuple(
            SettingRow(device=device, **identity, subject=subject, output=output, setting=setting, value=value)
            for subject, output, setting, value in _settings(reported, state)
        )
        yield DeviceRows(device=device, **identity, rows=rows)


def _settings(reported: Any, state: Document) -> Iterator[tuple[str, str, str, str]]:
    live = _members(state, "live")
    yield "live", "", "active_slot", value_text(state.get("active_slot"))
    yield from (("live", *row) for row in _of_settings(live))
    for output, causes in sorted(_members(state, "mute_causes").items()):
        if causes:
            yield "live", output, "muted_by", value_text(causes)
    for slot, contents in sorted(_members(reported, "slots").items(), key=lambda item: item[0].zfill(4)):
        subject = f"slot {slot}"
        if not isinstance(contents, dict) or contents.get("outputs") is None:
            yield subject, "", "contents", "cannot be read"
        else:
            yield subject, "", "name", value_text(contents.get("name"))
            yield from ((subject, *row) for row in _of_settings(contents))


def _of_settings(settings: Document) -> Iterator[tuple[str, str, str]]:
    for name in ("input", "panel_locked", "power_up_slot"):
        if settings.get(name) is not None:
            yield "", name, value_text(settings[name])
    for output, of_output in sorted(_members(settings, "outputs").items()):
        members = of_output if isinstance(of_output, dict) else {}
        for name, value in members.items():
            if name == "eq" and isinstance(value, list) and value:
                yield from ((output, f"eq {n}", value_text(band)) for n, band in enumerate(value, start=1))
            elif value is not None:
                yield output, name, "none" if value == [] else value_text(value)


def value_text(value: Any) -> str:
    """A value as short text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, dict):
        return " ".join(f"{name}={value_text(one)}" for name, one in value.items() if one is not None)
    if isinstance(value, list):
        return ", ".join(map(value_text, value))
    return str(value)


def _members(data: Any, name: str) -> Document:
    found = data.get(name) if isinstance(data, dict) else None
    return found if isinstance(found, dict) else {}
