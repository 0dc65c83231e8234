"""Settings of outputs and devices. One class serves live state, slot contents, writes and desired state.

A field that is `None` is *not given*: not stored in that slot, not to be written, not managed. "No filter" is the
word `none`, "no bands" the empty tuple. `q` is the audio EQ cookbook's everywhere outside a driver.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Annotated, Final, Literal

from pydantic import Field

from fleet.model.names import OutputNumber, SlotNumber

Shape = Literal["bell", "low_shelf", "high_shelf", "notch", "all_pass"]
Family = Literal["butterworth", "linkwitz_riley", "bessel"]
Polarity = Literal["normal", "inverted"]
NoFilter = Literal["none"]
NO_FILTER: Final[NoFilter] = "none"

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One equaliser filter. `gain_db` is 0 for notch and all-pass; `q` by the audio EQ cookbook."""

    shape: Shape
    frequency_hz: Positive
    gain_db: Finite = 0.0
    q: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossover:
    """A high- or low-pass filter by family, slope in dB per octave and corner frequency."""

    family: Family
    slope_db_per_octave: Literal[6, 12, 18, 24, 36, 48]
    frequency_hz: Positive


Bands = Annotated[tuple[Band, ...], Field(max_length=64)]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputSettings:
    """Settings of one output, as many of them as are given."""

    level_db: Finite | None = None
    mute: bool | None = None
    polarity: Polarity | None = None
    delay_ms: NotNegative | None = None
    eq: Bands | None = None
    high_pass: Crossover | NoFilter | None = None
    low_pass: Crossover | NoFilter | None = None

    def given(self) -> tuple[str, ...]:
        """Names of the settings that are given, in the order of the class."""
        return tuple(name for name in OUTPUT_SETTINGS if getattr(self, name) is not None)

    def only(self, names: Iterable[str]) -> OutputSettings:
        """The same settings, those not in `names` taken out."""
        return replace(self, **dict.fromkeys(set(OUTPUT_SETTINGS) - set(names)))

    def over(self, below: OutputSettings) -> OutputSettings:
        """These settings laid over others: what is given here replaces what is given there, whole."""
        return replace(below, **{name: getattr(self, name) for name in self.given()})


def corner_hz(setting: object) -> float:
    """The corner of a high-pass or low-pass in Hz; 0 where it is none, or nobody manages it."""
    return setting.frequency_hz if isinstance(setting, Crossover) else 0.0


OUTPUT_SETTINGS: Final[tuple[str, ...]] = tuple(f.name for f in fields(OutputSettings))
STORABLE: Final[tuple[str, ...]] = tuple(name for name in OUTPUT_SETTINGS if name != "mute")
"""What slots may hold: everything but mute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSettings:
    """Settings of a whole device, as many as are given; `outputs` by output number."""

    input: str | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    outputs: Mapping[OutputNumber, OutputSettings] = field(default_factory=dict)

    def given(self) -> tuple[str, ...]:
        """Names of the device-wide settings that are given (outputs not among them)."""
        return tuple(name for name in DEVICE_SETTINGS if getattr(self, name) is not None)

    def over(self, below: DeviceSettings) -> DeviceSettings:
        """These settings laid over others, output by output."""
        outputs = dict(below.outputs)
        for number, settings in self.outputs.items():
            outputs[number] = settings.over(outputs.get(number, OutputSettings()))
        return replace(below, outputs=outputs, **{name: getattr(self, name) for name in self.given()})

    def empty(self) -> bool:
        """True where nothing at all is given."""
        return not self.given() and not any(s.given() for s in self.outputs.values())


DEVICE_SETTINGS: Final[tuple[str, ...]] = ("input", "panel_locked", "power_up_slot")


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotContents:
    """What a preset slot holds; `outputs` is `None` where the contents cannot be read."""

    slot: SlotNumber
    name: str = ""
    input: str | None = None
    outputs: Mapping[OutputNumber, OutputSettings] | None = None
