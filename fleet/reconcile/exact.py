"""When two values are one to a device: within half a step of what it can hold.

Values that are steps themselves are equal or at least one step apart, so a rounding error on the way never counts.
"""

from __future__ import annotations

from collections.abc import Sequence

from fleet.acoustics.q_conventions import constant_q
from fleet.model.description import CrossoverAbility, Description, EqAbility, OutputDescription, QConvention, Range
from fleet.model.settings import Band, Crossover

ROUNDING = 1e-6


def same_setting(description: Description, output: int, setting: str, wanted: object, found: object) -> bool:
    """Whether a setting of an output is as wanted, exactly. A value that is not given equals nothing else."""
    if wanted == found:
        return True
    able = description.output(output)
    if isinstance(wanted, float | int) and isinstance(found, float | int) and not isinstance(wanted, bool):
        return same_number(_range_of(able, setting), wanted, found)
    if isinstance(wanted, Crossover) and isinstance(found, Crossover):
        ability: CrossoverAbility | None = getattr(able, setting, None)
        alike = (wanted.family, wanted.slope_db_per_octave) == (found.family, found.slope_db_per_octave)
        return alike and same_number(ability.frequency_hz if ability else None, wanted.frequency_hz, found.frequency_hz)
    if isinstance(wanted, tuple) and isinstance(found, tuple):
        return _same_bands(able.eq if able else None, description.q_convention, wanted, found)
    return False


def same_number(steps: Range | None, wanted: float, found: float) -> bool:
    """Whether two numbers are one step of a range: less than half a step apart, or a rounding error."""
    apart = abs(wanted - found)
    return apart <= ROUNDING or bool(steps and apart < steps.step / 2)


def device_q(convention: QConvention, band: Band) -> float:
    """A band's `q` as the device counts it; the conventions differ for bells only."""
    return constant_q(band.q, band.gain_db) if convention == "constant_q" and band.shape == "bell" else band.q


def _range_of(able: OutputDescription | None, setting: str) -> Range | None:
    steps = getattr(able, setting, None)
    return steps if isinstance(steps, Range) else None


def _same_bands(
    ability: EqAbility | None, convention: QConvention, wanted: Sequence[Band], found: Sequence[Band]
) -> bool:
    """The same bands, in whatever order: the order of filters changes nothing that can be heard."""
    if len(wanted) != len(found):
        return False
    left = list(found)
    for band in wanted:
        partner = next((other for other in left if _same_band(ability, convention, band, other)), None)
        if partner is None:
            return False
        left.remove(partner)
    return True


def _same_band(ability: EqAbility | None, convention: QConvention, wanted: Band, found: Band) -> bool:
    return (
        wanted.shape == found.shape
        and same_number(ability.frequency_hz if ability else None, wanted.frequency_hz, found.frequency_hz)
        and same_number(ability.gain_db if ability else None, wanted.gain_db, found.gain_db)
        and same_number(ability.q if ability else None, device_q(convention, wanted), device_q(convention, found))
    )
