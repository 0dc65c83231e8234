"""Text that means harm, in every place where a device, a person or a file can put text; and what may be shown of it."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from typing import Final

from fleet.drivers.memory import MemoryDevice
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.state import State
from tests.services.small_venue import FLAT, VENUE, description

HOSTILE: Final = {
    "script": "<script>alert(1)</script>",
    "attribute": "\" onmouseover=alert(1) x='",
    "override": "abc\u202egpj.exe\u2066x\u2069\u200f",
    "zero width": "box\u200b\u200d\ufeff-1\u2060\u00ad",
    "colours": "\x1b[31mred\x1b[2J\x1b[H",
    "c1": "\x9b2J\x9d0;title\x9c",
    "link": "\x1b]8;;http://evil.example\x1b\\here\x1b]8;;\x1b\\",
    "clipboard": "\x1b]52;c;cm0gLXJmIH4=\x07",
    "reset": "\x1bc\x1b(0\x1b[?1049h\x1b[!p",
    "long": "A" * 10_000,
    "words": "word " * 2_000,
    "nul": "a\x00b",
    "emoji": "🔊👩‍👩‍👧 Größe 日本",
    "combining": "Z" + "\u0353\u0301\u0489" * 300,
    "formula": "=cmd|' /C calc'!A0",
    "plus": "+1+cmd|' /C calc'!A0",
    "minus": "-2+3+cmd|' /C calc'!A0",
    "at": "@SUM(1+1)*cmd|' /C calc'!A0",
    "tab": "\t=1+1",
    "return": "\r=1+1",
    "lines": 'x"\n2031-05-17T12:00:00Z error forged line\r\n{"level":"error"}',
    "separators": "a\u2028b\u2029c\x85d\x0be\x0cf",
    "template": "{{7*7}}${7*7}<%= 7*7 %>{0.__class__}%s%n",
    "path": "../../../../tmp/x",
    "markup": "]]> --> </style></title>&#60;b&#62; &lt;i&gt;",
}
"""By what they would do where they were believed."""
SURROGATE: Final = "half\ud800one"
"""What JSON can say, and UTF-8 cannot."""


def unsafe(text: str) -> list[str]:
    """Characters that may never reach a screen or a page, but for line feeds: controls, format, separators."""
    return sorted({f"U+{ord(c):04X}" for c in text if c != "\n" and _may_not(c)})


def _may_not(character: str) -> bool:
    return unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


@dataclass
class TalkativeDevice(MemoryDevice):
    """A device that also tells faults, and why it is as it is."""

    faults: tuple[str, ...] = ()
    cause: str = ""

    def state(self) -> State:
        told = MemoryDevice.state(self)
        return replace(told, faults=self.faults, cause=self.cause, temperature_c=41.5)


def hostile_device(device: str, text: str) -> TalkativeDevice:
    """A loudspeaker that says this text wherever it may say any."""
    plain = description(device)
    told = replace(
        plain,
        serial=f"{text}{device}",
        model=text,
        firmware=text,
        mac=text,
        inputs=("network", text),
        outputs=tuple(replace(output, name=text) for output in plain.outputs),
    )
    return TalkativeDevice(
        description=told,
        live=DeviceSettings(input=text, panel_locked=False, outputs={1: FLAT}),
        slots={n: SlotContents(slot=n, name=text, input=text, outputs={1: FLAT}) for n in range(1, 9)},
        active_slot=1,
        faults=(text,),
        cause=text,
    )


def as_yaml(text: str) -> str:
    """Text as a YAML scalar in double quotes, whatever it holds."""
    return '"' + "".join(c if " " <= c <= "~" and c not in '"\\' else _escaped(c) for c in text) + '"'


def _escaped(character: str) -> str:
    return f"\\x{ord(character):02x}" if ord(character) < 256 else f"\\U{ord(character):08x}"


def hostile_files(text: str, device: str) -> dict[str, str]:
    """A venue of one room on this device, which says this text wherever people may write some."""
    quoted = as_yaml(text)
    room = f"""\
format: 1
room: weir-hall
name: {quoted}
defaults: {{mute: false}}
positions:
  main-left:
    device: {device}
    level_db: -12
    drawing: {quoted}
    cable: {quoted}
    rack: {quoted}
    circuit: {quoted}
    switch_port: {quoted}
"""
    return {"venue.yaml": VENUE.replace("Harbour House", quoted), "rooms/weir-hall.yaml": room}
