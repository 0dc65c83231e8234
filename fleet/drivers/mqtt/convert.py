"""Settings of the wire to settings of the model and back. A device's own Q convention ends here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from fleet.acoustics.q_conventions import constant_q, cookbook_q
from fleet.drivers.mqtt import wire_parts
from fleet.model.description import QConvention
from fleet.model.plan import Work
from fleet.model.settings import Band, Crossover, NoFilter, OutputSettings


def outputs_of(outputs: Iterable[wire_parts.OutputSettings], convention: QConvention) -> dict[int, OutputSettings]:
    """Settings by output number, Q by the cookbook."""
    # Adding 0.0 turns a negative zero, which some serialisers write, into zero: one text for one value.
    return {
        o.output: OutputSettings(
            level_db=None if o.level_db is None else o.level_db + 0.0,
            mute=o.mute,
            polarity=o.polarity,
            delay_ms=None if o.delay_ms is None else o.delay_ms + 0.0,
            eq=None if o.eq is None else tuple(_band(b, convention) for b in o.eq),
            high_pass=_filter(o.high_pass),
            low_pass=_filter(o.low_pass),
        )
        for o in outputs
    }


def work_members(work: Work, convention: QConvention) -> dict[str, Any]:
    """The members of a `stage` or `set` body that say what to do."""
    settings = work.settings
    return {
        "recall": work.recall,
        "settings": settings
        and wire_parts.Settings(
            input=settings.input,
            panel_locked=settings.panel_locked,
            power_up_slot=settings.power_up_slot,
            outputs=_wire_outputs(settings.outputs, convention),
        ),
        "slot_contents": tuple(
            wire_parts.SlotContents(
                slot=c.slot, name=c.name, input=c.input, outputs=_wire_outputs(c.outputs or {}, convention)
            )
            for c in work.slot_contents
        )
        or None,
    }


def _constant(shape: str, convention: QConvention) -> bool:
    return shape == "bell" and convention == "constant_q"


def _band(band: wire_parts.Band, convention: QConvention) -> Band:
    q = cookbook_q(band.q, band.gain_db) if _constant(band.shape, convention) else band.q
    return Band(shape=band.shape, frequency_hz=band.frequency_hz, gain_db=band.gain_db + 0.0, q=q)


def _filter(given: wire_parts.Crossover | NoFilter | None) -> Crossover | NoFilter | None:
    if isinstance(given, wire_parts.Crossover):
        return Crossover(
            family=given.family, slope_db_per_octave=given.slope_db_per_octave, frequency_hz=given.frequency_hz
        )
    return given


def _wire_outputs(
    outputs: Mapping[int, OutputSettings], convention: QConvention
) -> tuple[wire_parts.OutputSettings, ...]:
    return tuple(
        wire_parts.OutputSettings(
            output=number,
            level_db=s.level_db,
            mute=s.mute,
            polarity=s.polarity,
            delay_ms=s.delay_ms,
            eq=None if s.eq is None else tuple(_wire_band(b, convention) for b in s.eq),
            high_pass=_wire_filter(s.high_pass),
            low_pass=_wire_filter(s.low_pass),
        )
        for number, s in sorted(outputs.items())
    )


def _wire_band(band: Band, convention: QConvention) -> wire_parts.Band:
    q = constant_q(band.q, band.gain_db) if _constant(band.shape, convention) else band.q
    return wire_parts.Band(shape=band.shape, frequency_hz=band.frequency_hz, gain_db=band.gain_db, q=q)


def _wire_filter(given: Crossover | NoFilter | None) -> wire_parts.Crossover | NoFilter | None:
    if isinstance(given, Crossover):
        return wire_parts.Crossover(
            family=given.family, slope_db_per_octave=given.slope_db_per_octave, frequency_hz=given.frequency_hz
        )
    return given
