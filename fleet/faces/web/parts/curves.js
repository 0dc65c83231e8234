// Two curves over the same frequencies: where they are apart, and how that is said.

import { words } from "../words.js";
import { gain } from "./scales.js";

/** Curves that are closer are one. */
export const APART_DB = 0.05;
const BELOW_DB = 6;

/** Where two curves are furthest apart in the passband: `{by, hz}` in dB and Hz. */
export function furthest(frequencies_hz, wanted, reported, passband_hz) {
  let found = { by: 0, hz: 1_000 };
  frequencies_hz.forEach((hz, index) => {
    if (passband_hz && (hz < passband_hz[0] || hz > passband_hz[1])) return;
    if (wanted[index] === null || reported[index] === null) return;
    const by = Math.abs(reported[index] - wanted[index]);
    if (by > found.by) found = { by, hz };
  });
  return found;
}

/** The index of the frequency at the smallest ratio to one. */
export function nearest(frequencies_hz, hz) {
  let best = 0;
  frequencies_hz.forEach((one, index) => {
    if (Math.abs(Math.log(one / hz)) < Math.abs(Math.log(frequencies_hz[best] / hz))) best = index;
  });
  return best;
}

/** The gains that the axis is to hold: those of the passband, and of what lies outside no more than a bit below. */
export function worthShowing(hz, curves, passband_hz) {
  const inside = (index) => !passband_hz || (hz[index] >= passband_hz[0] && hz[index] <= passband_hz[1]);
  const given = curves.map((gains) => gains.map((db, index) => ({ db, counts: inside(index) })).filter(({ db }) => db !== null)).flat();
  const least = Math.min(...given.filter(({ counts }) => counts).map(({ db }) => db), 0) - BELOW_DB;
  return given.map(({ db }) => Math.max(db, least));
}

/** How far apart two gains are at a frequency, in words; none where one of them is not known. */
export function apartWords(wanted, reported) {
  if (wanted === null || reported === null) return "";
  const by = reported - wanted;
  if (Math.abs(by) < APART_DB) return words.plot.same;
  const size = gain(Math.abs(by)).replace("+", "");
  return by > 0 ? words.plot.more(size) : words.plot.less(size);
}
