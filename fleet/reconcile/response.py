"""The predicted response of an output with given settings, and how much louder others would be."""

from __future__ import annotations

import numpy as np

from fleet.acoustics.biquads import Floats
from fleet.acoustics.grid import r80_between
from fleet.acoustics.response import magnitude_db
from fleet.errors import BadInput
from fleet.model.description import Description, OutputDescription
from fleet.model.settings import Crossover, OutputSettings
from fleet.reconcile.chains import FLOOR_DB, crossover_sections, eq_sections, grid_hz, usable_hz


def output_response_db(description: Description, output: int, settings: OutputSettings) -> Floats:
    """Level, EQ and crossovers of an output in dB on the R80 grid below half the sample rate; -inf where muted.

    What is not given counts as 0 dB. Raises `BadInput` where there is no such output, or no such filter.
    """
    _able(description, output)
    frequencies_hz = grid_hz(description.sample_rate_hz)
    if settings.mute:
        return np.full_like(frequencies_hz, -np.inf)
    return _chain_db(description, settings, frequencies_hz) + (settings.level_db or 0.0)


def largest_rise_db(description: Description, output: int, before: OutputSettings, after: OutputSettings) -> float:
    """Largest rise in dB at any frequency of the output's passband, from one response to another; may be negative.

    What `after` does not give stays as before. Filters count down to -40 dB; mute is left to the caller.
    """
    after = after.over(before)
    able = _able(description, output)
    if (before.eq, before.high_pass, before.low_pass) == (after.eq, after.high_pass, after.low_pass):
        return (after.level_db or 0.0) - (before.level_db or 0.0)
    frequencies_hz = _watched_hz(description, able, before, after)
    gains_db = [
        np.maximum(_chain_db(description, s, frequencies_hz), FLOOR_DB) + (s.level_db or 0.0) for s in (before, after)
    ]
    return float(np.max(gains_db[1] - gains_db[0]))


def _able(description: Description, output: int) -> OutputDescription:
    able = description.output(output)
    if able is None:
        raise BadInput(f"there is no output {output}", where=description.id)
    return able


def _watched_hz(description: Description, able: OutputDescription, *settings: OutputSettings) -> Floats:
    """The grid in the passband, its edges and the centres of all bands, so that no narrow band slips through."""
    low_hz, high_hz = able.passband_hz
    centres_hz = [band.frequency_hz for s in settings for band in s.eq or () if low_hz <= band.frequency_hz <= high_hz]
    points_hz = [*r80_between(low_hz, high_hz), low_hz, high_hz, *centres_hz]
    return usable_hz(points_hz, description.sample_rate_hz)


def _chain_db(description: Description, settings: OutputSettings, frequencies_hz: Floats) -> Floats:
    rate_hz = description.sample_rate_hz
    total_db: Floats = magnitude_db(eq_sections([settings.eq or ()], rate_hz), frequencies_hz, rate_hz)[0]
    if isinstance(settings.high_pass, Crossover):
        sections = crossover_sections("high_pass", [settings.high_pass], rate_hz)
        total_db = total_db + magnitude_db(sections, frequencies_hz, rate_hz)[0]
    if isinstance(settings.low_pass, Crossover):
        sections = crossover_sections("low_pass", [settings.low_pass], rate_hz)
        total_db = total_db + magnitude_db(sections, frequencies_hz, rate_hz)[0]
    return total_db
