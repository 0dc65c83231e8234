"""One round of fitting bands to a target: the best band to add, and all bands moved together to the least squares.

Bands are rows of (log frequency, gain in dB, log Q), Q as the device counts it, beside a list of their shapes. Sources:
matching pursuit, S. Mallat and Z. Zhang, IEEE Trans. Signal Process. 41(12), 1993; bounded least squares is
`scipy.optimize.least_squares`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from fleet.acoustics import biquads
from fleet.acoustics.arguments import finite, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import magnitude_db

FitShape = Literal["bell", "low_shelf", "high_shelf"]
Interval: TypeAlias = tuple[float, float]
"""Lowest and highest value."""

TOP_SHARE: Final = 0.45
"""Share of the sample rate above which no band is placed: there it would be misshapen."""
RIDGE: Final = 0.1
"""Weight of a band's own gain against errors: keeps bands from fighting each other."""
FEW: Final = 4
ROUNDS: Final = 15
STEP: Final = 1e-4
_MAKE: Final[dict[FitShape, Callable[[Floats, Floats, Floats, float], Floats]]] = {
    "bell": biquads.bell,
    "low_shelf": biquads.low_shelf,
    "high_shelf": biquads.high_shelf,
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What a band may be. With `constant_q`, the range of Q is that of constant-Q bells."""

    shapes: tuple[FitShape, ...] = ("bell", "low_shelf", "high_shelf")
    frequency_hz: Interval = (20.0, 20_000.0)
    gain_db: Interval = (-15.0, 15.0)
    q: Interval = (0.3, 10.0)
    constant_q: bool = False

    def __post_init__(self) -> None:
        positive("frequency_hz", self.frequency_hz)
        finite("gain_db", self.gain_db)
        positive("q", self.q)


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """A target on as much of a grid as a sample rate carries, and what bands may be."""

    target_db: Floats
    grid_hz: Floats
    inside: NDArray[np.bool_]
    rate_hz: float
    limits: Limits
    low: Floats
    high: Floats
    ceiling_db: float

    @classmethod
    def of(cls, target_db: Floats, grid_hz: Floats, rate_hz: float, *, passband_hz: Interval, limits: Limits) -> Search:
        """The search for a target on a grid. Raises `ValueError` where no point of it can be heard."""
        top_hz = TOP_SHARE * float(positive("sample_rate_hz", rate_hz))
        carried = rate_hz / 2 > grid_hz
        grid_hz, target_db = grid_hz[carried], target_db[carried]
        inside = (grid_hz >= passband_hz[0]) & (grid_hz <= passband_hz[1])
        if not inside.any():
            raise ValueError(f"passband_hz holds no point of the grid below {rate_hz / 2:g} Hz")
        low, high = (
            np.array([np.log(min(limits.frequency_hz[side], top_hz)), limits.gain_db[side], np.log(limits.q[side])])
            for side in (0, 1)
        )
        return cls(
            target_db=target_db,
            grid_hz=grid_hz,
            inside=inside,
            rate_hz=rate_hz,
            limits=limits,
            low=low,
            high=np.maximum(high, low + 1e-9),  # the solver wants room between its bounds
            ceiling_db=max(0.0, float(target_db[inside].max())),
        )

    def off_db(self, shapes: Sequence[FitShape], values: Floats) -> Floats:
        """The target minus what the bands make, at the points inside the passband."""
        off: Floats = (self.target_db - self.responses(shapes, values).sum(axis=0))[self.inside]
        return off

    def with_one_more(self, shapes: Sequence[FitShape], values: Floats) -> tuple[list[FitShape], Floats]:
        """The bands and one more, all moved together. While they are few, one of each shape is tried to the end."""
        starts = sorted(self.starts(shapes, values), key=lambda start: start[0])
        tried = []
        for _, shape, start in starts if len(shapes) < FEW else starts[:1]:
            more: list[FitShape] = [*shapes, shape]
            moved = self.refined(more, np.vstack([values, start]))
            tried.append((float((self.residuals(more, moved.ravel()) ** 2).sum()), more, moved))
        _, shapes, values = min(tried, key=lambda each: each[0])
        return list(shapes), values

    def starts(self, shapes: Sequence[FitShape], values: Floats) -> Iterator[tuple[float, FitShape, Floats]]:
        """Of each shape the candidate that, at its best gain, leaves the smallest sum of squares, and that sum."""
        off_db = self.off_db(shapes, values)
        for shape in self.limits.shapes:
            rows = np.array(list(self.candidates(shape)))
            unit = self.responses([shape] * len(rows), rows)[:, self.inside]
            energy, alike = np.maximum((unit**2).sum(axis=1), 1e-12), unit @ off_db
            gain_db = np.clip(alike / energy, self.low[1], self.high[1])
            left = (off_db**2).sum() + energy * gain_db**2 - 2 * gain_db * alike
            best = int(np.argmin(left))
            yield float(left[best]), shape, np.array([rows[best, 0], gain_db[best], rows[best, 2]])

    def candidates(self, shape: FitShape) -> Iterator[tuple[float, float, float]]:
        """Bands of 1 dB every sixth of an octave, of a few widths each."""
        steps = max(2, round(float(self.high[0] - self.low[0]) / np.log(2) * 6))
        widths = (0.5, 1.0, 2.0, 4.0) if shape == "bell" else (0.5, 0.9)
        for log_q in sorted({float(np.clip(np.log(q), self.low[2], self.high[2])) for q in widths}):
            for log_hz in np.linspace(self.low[0], self.high[0], steps):
                yield float(log_hz), 1.0, log_q

    def refined(self, shapes: Sequence[FitShape], values: Floats) -> Floats:
        """All bands moved together to the least sum of squares near them."""
        from scipy.optimize import least_squares  # noqa: PLC0415  # as long to import as all else here, and seldom needed

        low, high = np.tile(self.low, len(shapes)), np.tile(self.high, len(shapes))
        found = least_squares(
            lambda x: self.residuals(shapes, x),
            np.clip(values.ravel(), low, high),
            jac=lambda x: self.slopes(shapes, x),
            bounds=(low, high),
            x_scale=np.tile([0.5, 3.0, 0.5], len(shapes)),
            max_nfev=ROUNDS,
        )
        moved: Floats = np.clip(found.x, low, high).reshape(-1, 3)
        return moved

    def residuals(self, shapes: Sequence[FitShape], x: Floats) -> Floats:
        values = x.reshape(-1, 3)
        total_db = self.responses(shapes, values).sum(axis=0)
        off_db = np.where(self.inside, total_db - self.target_db, np.maximum(total_db - self.ceiling_db, 0.0))
        return np.concatenate([off_db, RIDGE * values[:, 1]])

    def slopes(self, shapes: Sequence[FitShape], x: Floats) -> Floats:
        """The Jacobian by differences: a band's three numbers change nothing but its own response."""
        values = x.reshape(-1, 3)
        moved = (values[:, None, :] + STEP * np.eye(3)).reshape(-1, 3)
        now = self.responses(shapes, values)
        by_number = self.responses([s for s in shapes for _ in range(3)], moved) - np.repeat(now, 3, axis=0)
        counts = self.inside | (now.sum(axis=0) > self.ceiling_db)
        ridge = np.zeros((len(values), x.size))
        ridge[np.arange(len(values)), 1 + 3 * np.arange(len(values))] = RIDGE
        slopes: Floats = np.vstack([np.where(counts, by_number / STEP, 0.0).T, ridge])
        return slopes

    def responses(self, shapes: Sequence[FitShape], values: Floats) -> Floats:
        """The response of each band in dB on the grid, shape (bands, points)."""
        if not shapes:
            return np.zeros((0, len(self.grid_hz)))
        sections = np.empty((len(shapes), 1, 6))
        names, q = np.array(shapes), self.cookbook_q(shapes, values)
        frequency_hz = np.exp(values[:, 0])
        for shape in self.limits.shapes:
            own = names == shape
            sections[own, 0] = _MAKE[shape](frequency_hz[own], values[own, 1], q[own], self.rate_hz)
        return magnitude_db(sections, self.grid_hz, self.rate_hz)

    def cookbook_q(self, shapes: Sequence[FitShape], values: Floats) -> Floats:
        """The cookbook's Q of each band (see `fleet.acoustics.q_conventions`)."""
        q: Floats = np.exp(values[:, 2])
        if self.limits.constant_q:
            q = np.where(np.array(shapes, dtype=str) == "bell", q / 10 ** (np.abs(values[:, 1]) / 40), q)
        return q
