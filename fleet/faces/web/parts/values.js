// Values of settings as people say them.

import { plain } from "../dom.js";
import { decibels, figure, words } from "../words.js";

/** A setting's value in words. What a device made up goes through `plain`. */
export function valueWords(name, value) {
  if (typeof value === "boolean") return value ? words.lists.yes : words.lists.no;
  if (name === "level_db") return decibels(value);
  if (name === "delay_ms") return `${figure(value)} ms`;
  if (name === "eq") return value.length ? value.map(bandWords).join("; ") : words.lists.none;
  if (typeof value === "object" && value !== null) return crossoverWords(value);
  return plain(value);
}

function bandWords(band) {
  const gain = band.gain_db ? ` ${decibels(band.gain_db)}` : "";
  return `${plain(band.shape).replaceAll("_", " ")} ${hertz(band.frequency_hz)}${gain} Q ${Math.round(band.q * 100) / 100}`;
}

function crossoverWords(crossover) {
  return `${plain(crossover.family).replaceAll("_", " ")} ${crossover.slope_db_per_octave} dB per octave at ${hertz(crossover.frequency_hz)}`;
}

function hertz(frequency_hz) {
  return frequency_hz >= 1000 ? `${Math.round(frequency_hz / 10) / 100} kHz` : `${figure(frequency_hz)} Hz`;
}
