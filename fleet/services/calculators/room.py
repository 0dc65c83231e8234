"""Delay over a distance, level at a distance, ceiling coverage."""

from __future__ import annotations

from typing import Literal

from fleet.acoustics import air, coverage, delay, level, sums
from fleet.acoustics.arguments import finite, not_negative, positive
from fleet.services.calculators.answer import Answer, asked

FREE_FIELD = "Calculated, free field, on axis. Not a measurement. Measure before you sign."


def delay_over(
    distance_m: float,
    *,
    temperature_c: float = 20.0,
    humidity_percent: float = 50.0,
    offset_ms: float = 0.0,
    rate_hz: float = 48_000,
) -> Answer:
    """The delay that a path asks for, in humid air; the speed by temperature alone stands beside it."""
    with asked(
        distance_m="--distance-m",
        temperature_c="--temperature-c",
        humidity_percent="--humidity-percent",
        offset_ms="--offset-ms",
        rate="--rate",
    ):
        not_negative("distance_m", distance_m)
        finite("offset_ms", offset_ms)
        positive("rate", rate_hz)
        speed = float(air.speed_of_sound_in_humid_air_m_s(temperature_c, humidity_percent))
        by_temperature = float(delay.speed_of_sound_m_s(temperature_c))
        total_ms = 1000 * distance_m / speed + offset_ms
        not_negative("offset_ms", total_ms)
    return Answer(
        values={
            "speed_m_s": speed,
            "delay_ms": total_ms,
            "samples": total_ms * rate_hz / 1000,
            "by_temperature_alone_m_s": by_temperature,
            "change_over_10_k_ms": float(air.travel_time_change_ms(distance_m, temperature_c, temperature_c + 10)),
        },
        formula="speed of sound in humid air; delay = distance / speed + offset",
        source="O. Cramer, JASA 93(5), 2510-2516, 1993 (0 to 30 °C); by temperature alone: ISO 9613-1:1993, Annex A",
        cautions=(
            "A delay that was measured beats one that was computed.",
            "time_align in room files goes by the air temperature alone.",
        ),
    )


def level_at(
    sensitivity_db: float,
    power_w: float,
    distance_m: float,
    *,
    count: int = 1,
    summed: Literal["coherent", "incoherent"] = "incoherent",
) -> Answer:
    """Continuous level of one or more equal loudspeakers at a distance."""
    with asked(sensitivity_db="--sensitivity-db", power_w="--power-w", distance_m="--distance-m", count="--count"):
        one = float(level.level_db(sensitivity_db, power_w, distance_m))
        gain = sums.coherent_gain_db(count) if summed == "coherent" else sums.incoherent_gain_db(count)
    return Answer(
        values={"level_db": one + gain, "one_db": one, "sum_db": gain},
        formula="L = S + 10 lg(P / 1 W) - 20 lg(r / 1 m) + N equal: 10 lg N incoherent, 20 lg N coherent",
        source="inverse distance law; reference values of ISO 1683",
        cautions=(FREE_FIELD, "The figure is a continuous level: peaks lie above it by the crest factor."),
    )


def ceiling_coverage(
    ceiling_m: float,
    ear_m: float,
    angle_deg: float,
    room_m: tuple[float, float],
    *,
    pattern: coverage.Lattice = "square",
    spacing: coverage.Density = "overlap",
) -> Answer:
    """Covered circle of a ceiling loudspeaker, spacing and count for a rectangular room."""
    with asked(
        ceiling_m="--ceiling-m",
        ear_m="--ear-m",
        angle_deg="--angle-deg",
        length_m="--room-m",
        width_m="--room-m",
    ):
        diameter = coverage.diameter_m(ceiling_m, ear_m, angle_deg)
        apart = coverage.spacing_m(diameter, pattern, spacing)
        grid = coverage.grid(room_m[0], room_m[1], apart, pattern)
        uncovered = coverage.uncovered_share(apart, diameter, pattern)
    cautions = [FREE_FIELD, "State the band in which the angle was measured; at 4 kHz it is often half of it."]
    if coverage.is_wide(angle_deg):
        cautions.append(
            f"Over 120 degrees: at the edge distance alone takes {coverage.edge_loss_db(angle_deg):.1f} dB, "
            "besides the 6 dB of the angle. Space by a smaller one."
        )
    return Answer(
        values={
            "diameter_m": diameter,
            "spacing_m": apart,
            "count": grid.per_row * grid.rows,
            "per_row": grid.per_row,
            "rows": grid.rows,
            "uncovered_percent": 100 * uncovered,
        },
        formula="D = 2 (ceiling - ear) tan(angle / 2)",
        source="geometry of a cone; names of the patterns are common practice",
        cautions=tuple(cautions),
    )
