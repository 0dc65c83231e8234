"""Bring settings to what a device can hold: the nearest steps, or a list of everything it cannot do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from fleet.acoustics.crossovers import exists
from fleet.acoustics.q_conventions import cookbook_q
from fleet.errors import BadInput
from fleet.model.description import CrossoverAbility, Description, EqAbility, OutputDescription, QConvention, Range
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import Band, Crossover, DeviceSettings, NoFilter, OutputSettings, Polarity
from fleet.reconcile.exact import device_q
from fleet.reconcile.words import FAMILY_WORDS, SETTING_WORDS, number

WITHOUT_GAIN = ("notch", "all_pass")
Complain = Callable[[str], None]


def representable(description: Description, settings: DeviceSettings) -> DeviceSettings:
    """The nearest settings that the device can hold; doing it twice changes nothing more.

    A wish for nothing (no filter, no bands, no delay, normal polarity, an unlocked panel) is dropped where the device
    has no such setting. Raises `BadInput` that lists everything the device cannot do.
    """
    complaints: list[str] = []
    outputs: dict[int, OutputSettings] = {}
    for output, wanted in sorted(settings.outputs.items()):
        able = description.output(output)
        if able is None:
            there = listed([str(o.output) for o in description.outputs])
            complaints.append(f"there is no output {output}: the device has {there}")
        else:
            outputs[output] = _output(able, description.q_convention, wanted, _complainer(complaints, output))
    result = DeviceSettings(
        input=_input(description, settings.input, complaints.append),
        panel_locked=_panel_locked(description, settings.panel_locked, complaints.append),
        power_up_slot=_power_up_slot(description, settings.power_up_slot, complaints.append),
        outputs=outputs,
    )
    if complaints:
        raise BadInput("; ".join(complaints), where=f"{description.id} ({shown(description.model)})")
    return result


def nearest_bands(able: EqAbility, convention: QConvention, bands: Sequence[Band]) -> tuple[Band, ...]:
    """Bands of shapes that are offered, at the nearest steps and inside the ranges."""
    return tuple(_band(able, convention, index, band, lambda _: None) for index, band in enumerate(bands, start=1))


def _complainer(complaints: list[str], output: int) -> Complain:
    return lambda text: complaints.append(f"output {output}: {text}")


def _input(description: Description, wanted: str | None, complain: Complain) -> str | None:
    if wanted is not None and wanted not in description.inputs:
        there = listed([shown(name) for name in description.inputs]) or "one fixed input"
        complain(f"there is no input {wanted!r} to choose: the device has {there}")
    return wanted


def _panel_locked(description: Description, wanted: bool | None, complain: Complain) -> bool | None:
    if description.panel_lock:
        return wanted
    if wanted:
        complain("there is no panel lock")
    return None


def _power_up_slot(description: Description, wanted: int | None, complain: Complain) -> int | None:
    power_up = description.power_up
    if wanted is None:
        return None
    if not 1 <= wanted <= description.slots.count:
        complain(f"there is no slot {wanted} to power up in: the device has {description.slots.count}")
    elif not power_up.slot_settable:
        if power_up.behaviour == "default_slot" and power_up.slot == wanted:
            return None
        complain("the slot it powers up in cannot be set")
    return wanted


def _output(
    able: OutputDescription, convention: QConvention, wanted: OutputSettings, complain: Complain
) -> OutputSettings:
    return OutputSettings(
        level_db=_number("level", able.level_db, wanted.level_db, " dB", complain),
        mute=wanted.mute,
        polarity=_polarity(able, wanted, complain),
        delay_ms=_delay(able, wanted.delay_ms, complain),
        eq=_eq(able.eq, convention, wanted.eq, complain),
        high_pass=_filter("high_pass", able.high_pass, wanted.high_pass, complain),
        low_pass=_filter("low_pass", able.low_pass, wanted.low_pass, complain),
    )


def _number(name: str, steps: Range, wanted: float | None, unit: str, complain: Complain) -> float | None:
    return None if wanted is None else _inside(name, steps, wanted, unit, complain)


def _inside(name: str, steps: Range, wanted: float, unit: str, complain: Complain) -> float:
    if not steps.contains(wanted):
        complain(f"{name} {number(wanted)}{unit} is outside {number(steps.min)} to {number(steps.max)}{unit}")
    return steps.nearest(wanted)


def _polarity(able: OutputDescription, wanted: OutputSettings, complain: Complain) -> Polarity | None:
    if able.polarity:
        return wanted.polarity
    if wanted.polarity == "inverted":
        complain("polarity cannot be inverted")
    return None


def _delay(able: OutputDescription, wanted: float | None, complain: Complain) -> float | None:
    if able.delay_ms is not None:
        return _number("delay", able.delay_ms, wanted, " ms", complain)
    if wanted:
        complain(f"there is no delay; {number(wanted)} ms wanted")
    return None


def _eq(
    able: EqAbility | None, convention: QConvention, wanted: tuple[Band, ...] | None, complain: Complain
) -> tuple[Band, ...] | None:
    if wanted is None:
        return None
    if able is None:
        if wanted:
            complain("there is no equaliser")
        return None
    if len(wanted) > able.bands:
        complain(f"{len(wanted)} EQ bands wanted, {able.bands} there are")
    return tuple(_band(able, convention, index, band, complain) for index, band in enumerate(wanted, start=1))


def _band(able: EqAbility, convention: QConvention, index: int, band: Band, complain: Complain) -> Band:
    name = f"EQ band {index}"
    if band.shape not in able.shapes:
        shapes = listed([shape.replace("_", " ") for shape in able.shapes]) or "none"
        complain(f"{name}: no {band.shape.replace('_', ' ')} is offered, but {shapes}")
        return band
    frequency = _inside(f"{name}: frequency", able.frequency_hz, band.frequency_hz, " Hz", complain)
    gain = 0.0
    if band.shape not in WITHOUT_GAIN:
        gain = _inside(f"{name}: gain", able.gain_db, band.gain_db, " dB", complain)
    return replace(band, frequency_hz=frequency, gain_db=gain, q=_q(name, able.q, convention, band, gain, complain))


def _q(name: str, steps: Range, convention: QConvention, band: Band, gain_db: float, complain: Complain) -> float:
    """The nearest cookbook Q; the device's steps and range are in its own convention, at the gain it will hold."""
    asked = device_q(convention, replace(band, gain_db=gain_db))
    kept = _inside(f"{name}: q", steps, asked, "", complain)
    if kept == asked:
        return band.q
    return cookbook_q(kept, gain_db) if convention == "constant_q" and band.shape == "bell" else kept


def _filter(
    setting: str, able: CrossoverAbility | None, wanted: Crossover | NoFilter | None, complain: Complain
) -> Crossover | NoFilter | None:
    name = SETTING_WORDS[setting]
    if not isinstance(wanted, Crossover):
        return wanted if able is not None else None
    if able is None:
        complain(f"there is no {name}")
        return wanted
    slopes = able.slopes.get(wanted.family, ())
    if wanted.slope_db_per_octave not in slopes or not exists(wanted.family, wanted.slope_db_per_octave):
        offers = [f"{FAMILY_WORDS[f]} {listed([str(s) for s in offer])}" for f, offer in able.slopes.items() if offer]
        complain(
            f"no {name} {FAMILY_WORDS[wanted.family]} {wanted.slope_db_per_octave} dB/oct is offered, "
            f"but {listed(offers) or 'none'}"
        )
    frequency = _inside(f"{name} frequency", able.frequency_hz, wanted.frequency_hz, " Hz", complain)
    return replace(wanted, frequency_hz=frequency)
