"""A curve of the settings sheet as a picture inside of the page: desired dashed, reported drawn through."""

from __future__ import annotations

import base64
import io
import threading
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from fleet.faces.plots import over_frequency
from fleet.services.handover.pack import Curve

INK, ACCENT = "#111111", "#1b5e6f"
_ONE_AT_A_TIME: Final = threading.Lock()
"""Matplotlib's settings belong to the process."""


def picture(curve: Curve) -> str:
    """The curve as a `data:` URL of an SVG."""
    drawn = [np.array(gains) for gains in (curve.desired_db, curve.reported_db) if gains is not None]
    inside = (np.array(curve.frequencies_hz) >= 20) & (np.array(curve.frequencies_hz) <= 20_000)
    low = min(float(gains[inside].min()) for gains in drawn)
    high = max(float(gains[inside].max()) for gains in drawn)
    # Text stays text and ids stay the same, so that the same curve is the same picture.
    with _ONE_AT_A_TIME, mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "fleet", "font.size": 8}):
        figure = Figure(figsize=(6.6, 2.5), layout="constrained")
        axes = over_frequency(figure, max(low, -30.0), high)
        for edge in curve.passband_hz:
            axes.axvline(edge, color="0.55", linewidth=0.8, linestyle=":")
        if curve.reported_db is not None:
            axes.plot(curve.frequencies_hz, curve.reported_db, color=ACCENT, linewidth=2.4, label="reported")
        if curve.desired_db is not None:
            axes.plot(curve.frequencies_hz, curve.desired_db, color=INK, linewidth=1.2, dashes=(5, 3), label="desired")
        axes.legend(loc="lower center", frameon=False, ncols=2)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None})
    return f"data:image/svg+xml;base64,{base64.b64encode(out.getvalue()).decode()}"


def described(curve: Curve) -> str:
    """What the picture shows, for those who do not see it: the two curves' spans, and where they are furthest apart."""
    frequencies = np.array(curve.frequencies_hz)
    inside = (frequencies >= curve.passband_hz[0]) & (frequencies <= curve.passband_hz[1])
    parts = [
        f"{name} from {_gain(np.min(np.array(gains)[inside]))} to {_gain(np.max(np.array(gains)[inside]))}"
        for name, gains in (("desired", curve.desired_db), ("reported", curve.reported_db))
        if gains is not None and inside.any()
    ]
    if curve.desired_db is not None and curve.reported_db is not None and inside.any():
        apart = np.abs(np.array(curve.reported_db) - np.array(curve.desired_db))[inside]
        at = frequencies[inside][int(np.argmax(apart))]
        parts.append(f"furthest apart by {np.max(apart):.1f} dB" + (f" at {at:.0f} Hz" if np.max(apart) > 0.05 else ""))
    band = f"{curve.passband_hz[0]:g} Hz to {curve.passband_hz[1]:g} Hz"
    return f"EQ and crossovers in the passband {band}: {'; '.join(parts) or 'no point of the curve lies in it'}."


def _gain(value: float) -> str:
    return f"{value:+.1f} dB" if value > -40 else "below -40 dB"
