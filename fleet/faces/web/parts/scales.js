// Scales of a plot over frequency: preferred frequencies (ISO 266), round decibels, and how both are said.

import { words } from "../words.js";

export const LOWEST_HZ = 20;
export const HIGHEST_HZ = 20_000;
const R10 = [1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8];
const STEPS_DB = [1, 2, 3, 6, 12, 24];

/** Preferred frequencies a third of an octave apart, with the exact midband that each names. */
export const THIRDS = Array.from({ length: 31 }, (_, step) => {
  const index = step - 17;
  const decade = Math.floor(index / 10);
  return {
    nominal: Number((R10[index - 10 * decade] * 1_000 * 10 ** decade).toPrecision(4)),
    exact: 1_000 * 10 ** (index / 10),
    octave: index % 3 === 0,
  };
});

/** How far to the right a frequency lies, from 0 to 1. */
export function along(hz) {
  return Math.log(hz / LOWEST_HZ) / Math.log(HIGHEST_HZ / LOWEST_HZ);
}

/** The frequency that lies so far to the right. */
export function hzAt(share) {
  return LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** Math.min(1, Math.max(0, share));
}

/** A frequency as it is said: "31.5 Hz", "3.15 kHz". A midband goes by the preferred frequency that names it. */
export function hertz(hz) {
  const named = THIRDS.find((third) => Math.abs(third.exact / hz - 1) < 1e-3);
  const value = named ? named.nominal : Number(hz.toPrecision(3));
  return value < 1_000 ? `${value}\u00a0Hz` : `${Number((value / 1_000).toPrecision(3))}\u00a0kHz`;
}

/** A frequency as it stands at an axis: "31.5", "2k". */
export function tick(hz) {
  return hz < 1_000 ? String(hz) : `${hz / 1_000}k`;
}

/** A gain with its sign: "+0.4 dB", "−2.1 dB", "0 dB"; the floor as what it is. */
export function gain(db, floor_db) {
  if (floor_db !== undefined && db <= floor_db) return words.plot.floor(gain(floor_db));
  const rounded = Math.round(db * 10) / 10;
  const sign = rounded > 0 ? "+" : rounded < 0 ? "\u2212" : "";
  return `${sign}${Math.abs(rounded)}\u00a0dB`;
}

/** Round decibels that hold these gains, 0 dB among them: `{low, high, step}`, few enough lines for `most`. */
export function decibelAxis(gains, most) {
  const low = Math.min(0, ...gains);
  const high = Math.max(0, ...gains);
  for (const step of STEPS_DB) {
    const axis = { low: step * Math.floor((low - 0.5) / step), high: step * Math.ceil((high + 0.5) / step), step };
    if ((axis.high - axis.low) / step <= most) return axis;
  }
  return { low: 24 * Math.floor(low / 24), high: 24 * Math.ceil((high + 0.5) / 24), step: 24 };
}
