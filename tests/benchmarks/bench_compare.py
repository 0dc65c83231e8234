"""Time and memory of comparing many devices of 10 bands: `python tests/benchmarks/bench_compare.py [N ...]`.

Figures depend on the machine and the load; read them as ratios. "equal" is a venue as wanted; "one per cent" has a band
changed on every hundredth device; "all differ" has every EQ, level and crossover changed; "coherent" needs
phase too.
"""

from __future__ import annotations

import random
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from dataclasses import replace

from fleet.model.description import (
    CrossoverAbility,
    Description,
    EqAbility,
    OutputDescription,
    PowerUp,
    Range,
    SlotAbility,
)
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings
from fleet.model.state import Moment, Reported, State
from fleet.model.venue import Position
from fleet.reconcile.compare import compare
from fleet.reconcile.wanted import WantedDevice, WantedOutput

Pairs = Sequence[tuple[WantedDevice, Reported]]
Turn = Callable[[OutputSettings], OutputSettings]


def described(device: str) -> Description:
    """A full-range loudspeaker with ten bands and a high-pass."""
    wide = Range(min=20, max=20_000)
    output = OutputDescription(
        output=1,
        passband_hz=(55, 18_000),
        level_db=Range(min=-80, max=10, step=0.5),
        delay_ms=Range(min=0, max=200, step=1 / 48),
        polarity=True,
        eq=EqAbility(
            bands=10,
            shapes=("bell",),
            frequency_hz=wide,
            gain_db=Range(min=-15, max=15),
            q=Range(min=0.3, max=20),
        ),
        high_pass=CrossoverAbility(slopes={"linkwitz_riley": (24,)}, frequency_hz=wide),
    )
    return Description(
        id=device,
        serial=device,
        model="Tarn 12",
        sample_rate_hz=48_000,
        outputs=(output,),
        power_up=PowerUp(behaviour="last_state"),
        slots=SlotAbility(count=0),
    )


def settings(rng: random.Random) -> OutputSettings:
    """Random settings with ten bells and a high-pass."""
    bands = tuple(
        Band(
            shape="bell",
            frequency_hz=round(50 * 300 ** rng.random(), 1),
            gain_db=round(rng.uniform(-6, 6), 1),
            q=round(rng.uniform(0.5, 6), 2),
        )
        for _ in range(10)
    )
    high_pass = Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90)
    return OutputSettings(level_db=-6, mute=False, polarity="normal", delay_ms=0, eq=bands, high_pass=high_pass)


def pairs(count: int, turn: Callable[[int], Turn], coherent: tuple[str, ...] = ()) -> Pairs:
    """As many devices, reporting what `turn` makes of what is wanted of them."""
    rng = random.Random(count)  # the same data in every run
    return [_pair(f"box-{index:05}", settings(rng), turn(index), coherent) for index in range(count)]


def _pair(device: str, wanted: OutputSettings, turn: Turn, coherent: tuple[str, ...]) -> tuple[WantedDevice, Reported]:
    description = described(device)
    position = Position(name=device, room="hall", device=device, coherent=coherent)
    state = State(
        id=device,
        serial=device,
        moment=Moment(boot_id="b", revision=1),
        boot_count=1,
        uptime_ms=0,
        live=DeviceSettings(outputs={1: turn(replace(wanted, eq=tuple(replace(b) for b in wanted.eq or ())))}),
    )
    output = WantedOutput(position=position, settings=wanted)
    return (
        WantedDevice(device=device, description=description, outputs={1: output}),
        Reported(description=description, state=state, slots={}),
    )


def same(found: OutputSettings) -> OutputSettings:
    """Nothing differs."""
    return found


def one_band(found: OutputSettings) -> OutputSettings:
    """One band has been moved."""
    first, *rest = found.eq or ()
    return replace(found, eq=(replace(first, gain_db=first.gain_db + 2), *rest))


def everything(found: OutputSettings) -> OutputSettings:
    """Level, crossover and every band have been moved."""
    eq = tuple(replace(band, gain_db=band.gain_db + 1, q=band.q * 1.1) for band in found.eq or ())
    high_pass = Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=110)
    return replace(found, level_db=-3, eq=eq, high_pass=high_pass)


def measure(compared: Pairs) -> tuple[float, float, int]:
    """Seconds (best of three), peak MB beyond the data, and the count of differences."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        result = compare(compared)
        times.append(time.perf_counter() - start)
    tracemalloc.start()
    compare(compared)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return min(times), peak / 1e6, len(result.differences)


def main(counts: Sequence[int]) -> None:
    """Print the table."""
    print(f"{'devices':>8}  {'case':<14}{'seconds':>9}{'peak MB':>9}{'differences':>13}")
    for count in counts:
        cases = {
            "equal": pairs(count, lambda _: same),
            "one per cent": pairs(count, lambda index: same if index % 100 else one_band),
            "all differ": pairs(count, lambda _: everything),
            "all, coherent": pairs(count, lambda _: everything, coherent=("mains",)),
        }
        for name, compared in cases.items():
            seconds, peak, differences = measure(compared)
            print(f"{count:>8}  {name:<14}{seconds:>9.3f}{peak:>9.1f}{differences:>13}")


if __name__ == "__main__":
    main([int(argument) for argument in sys.argv[1:]] or [1_000, 10_000])
