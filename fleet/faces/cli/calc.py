"""The desk calculator's commands. They need no daemon."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Literal

import typer

from fleet.errors import BadInput
from fleet.faces.cli import options, show
from fleet.faces.cli.options import Json
from fleet.services.calculators.answer import Answer

calc = typer.Typer(help="Calculate filters, delay, level, lines, coverage, exposure.", no_args_is_help=True)
_ROOM = re.compile(r"(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)")


@calc.command()
def eq(
    bands: Annotated[list[str], typer.Argument(metavar="BAND", help="shape,frequency,gain,q or a crossover.")],
    rate: Annotated[float, typer.Option("--rate", help="Sample rate in Hz.")] = 48_000,
    at: Annotated[
        list[float] | None, typer.Option("--at", help="A frequency in Hz; repeatable.", show_default="third octaves")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw the response into FILE.svg or FILE.png.", show_default=False)
    ] = None,
    json: Json = False,
) -> None:
    """Response of a chain of filters. A crossover is written high_pass,linkwitz_riley,24,90.

    Example: fleet calc eq bell,1000,6,1.4 low_shelf,90,3.5,0.7 --at 90 --at 1000
    """
    from fleet.services.calculators import eq as calculator  # noqa: PLC0415  # numpy only where it is needed

    answer = calculator.eq(bands, rate_hz=rate, at_hz=at or ())
    if plot is not None:
        from fleet.faces.plots import plot_response  # noqa: PLC0415  # matplotlib only where it is needed

        plot_response(plot, *calculator.curve(bands, rate), title=" + ".join(bands))
    _answer("eq", answer, json=json)


@calc.command()
def delay(
    distance_m: Annotated[float, typer.Option("--distance-m", help="Path in m.")],
    temperature_c: Annotated[float, typer.Option("--temperature-c", help="Air temperature in °C.")] = 20.0,
    humidity_percent: Annotated[float, typer.Option("--humidity-percent", help="Relative humidity.")] = 50.0,
    offset_ms: Annotated[float, typer.Option("--offset-ms", help="To be added, in ms.")] = 0.0,
    rate: Annotated[float, typer.Option("--rate", help="Sample rate in Hz.")] = 48_000,
    json: Json = False,
) -> None:
    """Delay for a distance, with the speed of sound it comes from.

    Example: fleet calc delay --distance-m 18 --temperature-c 22 --offset-ms 12
    """
    from fleet.services.calculators.room import delay_over  # noqa: PLC0415  # numpy only where it is needed

    answer = delay_over(
        distance_m,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        offset_ms=offset_ms,
        rate_hz=rate,
    )
    _answer("delay", answer, json=json)


@calc.command()
def level(
    sensitivity_db: Annotated[float, typer.Option("--sensitivity-db", help="dB at 1 W and 1 m.")],
    power_w: Annotated[float, typer.Option("--power-w", help="Continuous power in W.")],
    distance_m: Annotated[float, typer.Option("--distance-m", help="Distance in m.")],
    count: Annotated[int, typer.Option("--count", min=1, help="Equal loudspeakers at that distance.")] = 1,
    summed: Annotated[
        Literal["coherent", "incoherent"], typer.Option("--sum", help="How several add up.")
    ] = "incoherent",
    json: Json = False,
) -> None:
    """Continuous level at a distance: free field, on axis.

    Example: fleet calc level --sensitivity-db 93 --power-w 250 --distance-m 20
    """
    from fleet.services.calculators.room import level_at  # noqa: PLC0415  # numpy only where it is needed

    _answer("level", level_at(sensitivity_db, power_w, distance_m, count=count, summed=summed), json=json)


@calc.command()
def line(
    volts: Annotated[float, typer.Option("--volts", help="70.7 or 100.")],
    amplifier_w: Annotated[float, typer.Option("--amplifier-w", help="Rated power of the amplifier's output in W.")],
    loudspeaker: Annotated[list[str], typer.Option("--loudspeaker", help="COUNTxTAP in W, such as 6x10; repeatable.")],
    cable_m: Annotated[float | None, typer.Option("--cable-m", help="Length one way.", show_default=False)] = None,
    cable_mm2: Annotated[float | None, typer.Option("--cable-mm2", help="Cross-section.", show_default=False)] = None,
    json: Json = False,
) -> None:
    """Load of a 70.7 V or 100 V line, and the loss in its cable.

    Example: fleet calc line --volts 100 --amplifier-w 120 --loudspeaker 6x10 --cable-m 80 --cable-mm2 1.5
    """
    from fleet.services.calculators import line as calculator  # noqa: PLC0415  # numpy only where it is needed

    answer = calculator.line(volts, amplifier_w, loudspeaker, cable_m=cable_m, cable_mm2=cable_mm2)
    _answer("line", answer, json=json)


@calc.command()
def coverage(
    ceiling_m: Annotated[float, typer.Option("--ceiling-m", help="Height of the loudspeakers.")],
    ear_m: Annotated[float, typer.Option("--ear-m", help="Height of the ears: 1.2 seated, 1.6 standing.")],
    angle_deg: Annotated[float, typer.Option("--angle-deg", help="Coverage angle, -6 dB to -6 dB.")],
    room_m: Annotated[str, typer.Option("--room-m", help="Length x width, such as 12x8.")],
    pattern: Annotated[Literal["square", "hexagonal"], typer.Option("--pattern", help="The lattice.")] = "square",
    spacing: Annotated[
        Literal["edge", "overlap", "centre"],
        typer.Option("--spacing", help="Circles touch, leave no gap, or reach the next one's centre."),
    ] = "overlap",
    json: Json = False,
) -> None:
    """Ceiling loudspeakers: what one covers, how far apart, how many.

    Example: fleet calc coverage --ceiling-m 3 --ear-m 1.2 --angle-deg 90 --room-m 12x9
    """
    from fleet.services.calculators.room import ceiling_coverage  # noqa: PLC0415  # numpy only where it is needed

    answer = ceiling_coverage(ceiling_m, ear_m, angle_deg, _room(room_m), pattern=pattern, spacing=spacing)
    _answer("coverage", answer, json=json)


@calc.command()
def exposure(
    level_db: Annotated[float, typer.Option("--level-db", help="Steady A-weighted level in dB.")],
    json: Json = False,
) -> None:
    """How long a level may last, by each published criterion.

    Example: fleet calc exposure --level-db 97
    """
    from fleet.services.calculators.hearing import allowed_time  # noqa: PLC0415  # numpy only where it is needed

    _answer("exposure", allowed_time(level_db), json=json)


def _room(text: str) -> tuple[float, float]:
    if (match := _ROOM.fullmatch(text)) is None:
        raise BadInput(f"--room-m {text!r} is not LENGTHxWIDTH, such as 12x8")
    return float(match[1]), float(match[2])


def _answer(name: str, answer: Answer, *, json: bool) -> None:
    told = {"formula": answer.formula, "source": answer.source, "cautions": list(answer.cautions)}
    if json:
        options.print_json({"format": f"fleet-calc-{name}/1", **answer.values, **told})
        return
    values = dict(answer.values)
    at, gain = values.pop("at_hz", None), values.pop("gain_db", None)
    values.pop("sections", None)
    told_values = {key: value for key, value in values.items() if value is not None}
    rows = [(key, f"{value:.6g}" if isinstance(value, float) else str(value)) for key, value in told_values.items()]
    show.table(rows)
    if isinstance(at, list) and isinstance(gain, list):
        show.table([(f"{f:.5g} Hz".rjust(10), f"{g:+.2f} dB".rjust(10)) for f, g in zip(at, gain, strict=True)])
    show.table([("formula", answer.formula), ("source", answer.source)])
    show.table([("caution", text) for text in answer.cautions])
