// States: a word first, a shape of our own beside it, and a colour last. "As it should be" is the sign for equal.

import { el, svg } from "./dom.js";
import { words } from "./words.js";

const SHAPES = {
  right: ["M3 8h14M3 13h14"],
  differs: ["M3 8h14M3 13h14M13 3L7 18"],
  serious: ["M3 7h14M3 14h14M14 2L6 19M18 2l-8 17"],
  agreed: ["M3 8h14M3 13h9", "M14 13l2 3 3-6"],
  away: ["M4 4h3M11 4h3M16.5 4.5v3M16.5 12v3M14 16.5h-3M7 16.5H4M3.5 14v-3M3.5 8V5"],
  muted: ["M3 10.5h4M14 10.5h4M8 6v9M13 6v9"],
  silent: ["M3 10.5h4M14 10.5h4M8 5l5 11M13 5L8 16"],
  alone: ["M4 4h13v13H4z"],
  unknown: ["M6 7q0-4 4.5-4T15 7q0 3-4.5 4.5V13M10.5 17v.6"],
  person: ["M10.5 2l8.5 16h-17zM10.5 8v5M10.5 15.6v.4"],
  waits: ["M4 3h13M4 18h13M5 3q0 5 5.500 7.500Q16 8 16 3M5 18q0-5 5.500-7.500Q16 13 16 18"],
  busy: ["M3 10.500h3M9 10.500h3M15 10.500h3"],
  held: ["M8 3H4v15h4M13 3h4v15h-4"],
  guest: ["M3 17V8l7.500-5L18 8v9M8 17v-5h5v5"],
  slight: ["M3 8h14M3 13h14M10 4v1.500M10 15.500V17"],
  back: ["M9 4L4 9l5 5M4 9h8q5 0 5 5v3"],
  found: ["M10.500 3v15M3 10.500h15"],
  retired: ["M4 4h13v13H4zM4 17L17 4"],
};
const COLOURS = {
  right: "normal",
  differs: "abnormal",
  serious: "abnormal",
  agreed: "neutral",
  away: "abnormal",
  muted: "abnormal",
  silent: "abnormal",
  alone: "neutral",
  unknown: "abnormal",
  person: "danger",
  waits: "mandatory",
  busy: "neutral",
  held: "neutral",
  guest: "neutral",
  slight: "neutral",
  back: "neutral",
  found: "neutral",
  retired: "neutral",
};

/** The shape of a state, for the eye alone: its word stands beside it. */
export function shape(state, size = 20) {
  const known = state in SHAPES ? state : "unknown";
  return svg(
    "svg",
    { class: `shape ${COLOURS[known]}`, viewBox: "0 0 21 21", width: size, height: size, "aria-hidden": "true" },
    SHAPES[known].map((d) => svg("path", { d })),
  );
}

/** A state: shape and words; the words of the catalogue where none are given. */
export function mark(state, ...said) {
  const text = said.length ? said : [words.states[state] ?? words.states.unknown];
  return el("span", { class: "mark", "data-state": state }, shape(state), el("span", { class: "mark-words" }, text));
}

/** The colour's meaning of a state, as a class. */
export function meaning(state) {
  return COLOURS[state] ?? COLOURS.unknown;
}
