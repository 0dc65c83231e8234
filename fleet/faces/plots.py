"""Plots for print and screen: log frequency axis with preferred frequencies, readable without colour."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fleet.acoustics.bands import tick_label, ticks_hz
from fleet.acoustics.biquads import Floats
from fleet.errors import BadInput

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0


def plot_response(file: Path, frequencies_hz: Floats, gain_db: Floats, *, title: str) -> None:
    """Draw one response into an SVG or PNG file. Raises `BadInput` for another ending or where it cannot be written."""
    if file.suffix.lower() not in (".svg", ".png"):
        raise BadInput(f"--plot {file}: the file's name must end in .svg or .png")
    # Text stays text and ids stay the same, so that the same plot is the same file.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "fleet", "font.size": 9}):
        figure = Figure(figsize=(7.0, 3.6), layout="constrained")
        axes = over_frequency(figure, float(gain_db.min()), float(gain_db.max()))
        axes.plot(frequencies_hz, gain_db, color="black", linewidth=1.4)
        axes.set_title(title if len(title) <= 80 else title[:79] + "…", fontsize=9)
        metadata = {"Date": None} if file.suffix.lower() == ".svg" else {}
        try:
            figure.savefig(file, dpi=150, metadata=metadata)
        except OSError as error:
            raise BadInput(f"cannot write: {error.strerror}", where=str(file)) from None


def over_frequency(figure: Figure, low_db: float, high_db: float) -> Axes:
    """Axes over 20 Hz to 20 kHz that show gains from `low_db` (at least -40 dB) to `high_db`."""
    axes = figure.add_subplot()
    axes.set_xscale("log")
    axes.set_xlim(LOWEST_HZ, HIGHEST_HZ)
    ticks = ticks_hz(LOWEST_HZ, HIGHEST_HZ)
    axes.set_xticks(ticks, [tick_label(frequency) for frequency in ticks])
    axes.minorticks_off()
    axes.set_ylim(max(low_db, -40) - 3, max(high_db, 0) + 3)
    axes.set_xlabel("frequency in Hz")
    axes.set_ylabel("gain in dB")
    axes.grid(visible=True, color="0.8", linewidth=0.6)
    axes.axhline(0, color="0.4", linewidth=0.8)
    return axes
