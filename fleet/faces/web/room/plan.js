// The plan of a room from above, to scale: what the coordinates say and nothing else. The first coordinate runs from
// the top of the drawing (where the stage is, if there is one) downwards, the second from left to right, in metres.

import { at } from "../api.js";
import { el, fill, plain, svg } from "../dom.js";
import { meaning, shape } from "../marks.js";
import { figure, words } from "../words.js";
import { placeLabels } from "./labels.js";

const MARGIN = 56;
const TARGET = 44;
const NAME_SIZE = 14;
const WORD_SIZE = 12.5;
const LETTER = 0.58;
const LONGEST_NAME = 22;
const FIRST = { serious: 0, differs: 1, away: 1, silent: 2, muted: 2 };
const QUIET = 3;
const MOST_MUST = 12;
const TALLEST = 1.15;
const STEPS_M = [0.5, 1, 2, 5, 10, 20, 50, 100];

/** Draw the plan into `place`, `width` pixels wide. Gives how many labels found no room. */
export function drawPlan(place, room, width) {
  const positions = room.positions.filter((p) => p.at_m);
  const listening = listeningPoints(positions);
  const scale = scaleOf([...positions.map((p) => p.at_m), ...listening], width);
  const dots = positions.map((p) => ({ position: p, ...scale.at(p.at_m) }));
  // What needs a look is drawn last, so that nothing lies over it.
  dots.sort((a, b) => firstOf(b.position) - firstOf(a.position));
  const keepFree = [{ left: 0, right: MARGIN + scale.step * scale.perMetre + 24, top: scale.height - 26, bottom: scale.height }];
  const ears = listening.map((point) => scale.at(point));
  const few = dots.filter((dot) => firstOf(dot.position) < QUIET).length <= MOST_MUST;
  const { placed } = placeLabels([...dots.map((dot) => labelOf(dot, few)), ...ears.map(earLabelOf)], { width: scale.width, height: scale.height, keepFree });
  const drawing = svg(
    "svg",
    { class: "plan", viewBox: `0 0 ${scale.width} ${scale.height}`, role: "group", "aria-label": words.room.plan2d.name(plain(room.name, 60)) },
    grid(scale),
    svg("g", { "aria-hidden": "true" }, placed.filter((l) => l.shown && l.far).map((l) => svg("line", { class: "lead", x1: l.x, y1: l.y, x2: l.toX, y2: l.toY }))),
    dots.map((dot, index) => positionLink(room, dot, placed[index])),
    placed.slice(dots.length).map(listeningMark),
  );
  fill(place, drawing);
  return placed.slice(0, dots.length).filter((label) => !label.shown).length;
}

function positionLink(room, dot, label) {
  const { position, x, y } = dot;
  const word = words.states[position.state] ?? words.states.unknown;
  const icon = shape(position.state, 20);
  icon.setAttribute("x", x - 10);
  icon.setAttribute("y", y - 10);
  const counts = ["abnormal", "danger"].includes(meaning(position.state));
  return svg(
    "a",
    {
      href: `/rooms${at(room.room, "positions", position.position)}`,
      "aria-label": `${plain(position.position, 60)}: ${word}, ${words.room.plan2d.at(...position.at_m.map(figure))}`,
      "data-state": position.state,
      "data-counts": counts ? "yes" : null,
    },
    svg("title", {}, `${plain(position.position, 60)}: ${word}`),
    svg("rect", { class: "around", x: x - TARGET / 2, y: y - TARGET / 2, width: TARGET, height: TARGET, rx: 8 }),
    svg("circle", { class: "under", cx: x, cy: y, r: 13 }),
    icon,
    label.shown
      ? [
          label.must ? svg("rect", { class: "under", x: label.box.left, y: label.box.top, width: label.width, height: label.height }) : null,
          svg("text", { class: "name", x: label.textX, y: label.top + NAME_SIZE, "text-anchor": label.anchor }, label.name),
          svg("text", { class: "word", x: label.textX, y: label.top + NAME_SIZE + WORD_SIZE + 3, "text-anchor": label.anchor }, word),
        ]
      : null,
  );
}

/** What needs a look has its label even on other marks, where `few` do: many would make each other unreadable. */
function labelOf({ position, x, y }, few) {
  const name = plain(position.position, LONGEST_NAME);
  const word = words.states[position.state] ?? words.states.unknown;
  const width = Math.max(name.length * NAME_SIZE, word.length * WORD_SIZE) * LETTER + 4;
  const first = firstOf(position);
  return { x, y, name, width, height: NAME_SIZE + WORD_SIZE + 8, first, must: few && first < QUIET };
}

function firstOf(position) {
  return FIRST[position.state] ?? QUIET;
}

/** Listening points are many and all called the same: their word stands where nothing else is to be read. */
function earLabelOf({ x, y }) {
  const width = words.room.plan2d.listening.length * WORD_SIZE * LETTER + 4;
  return { x, y, width, height: WORD_SIZE + 6, first: QUIET + 1, must: false };
}

function listeningMark(label) {
  const { x, y } = label;
  return svg(
    "g",
    { role: "img", "aria-label": words.room.plan2d.listening },
    svg("circle", { class: "listening", cx: x, cy: y, r: 9 }),
    label.shown ? svg("text", { class: "listening-word", x: label.textX, y: label.top + WORD_SIZE, "text-anchor": label.anchor }, words.room.plan2d.listening) : null,
  );
}

function grid(scale) {
  const lines = [];
  for (const across of scale.across) lines.push(svg("line", { class: "grid", x1: across, y1: MARGIN / 2, x2: across, y2: scale.height - MARGIN / 2 }));
  for (const down of scale.down) lines.push(svg("line", { class: "grid", x1: MARGIN / 2, y1: down, x2: scale.width - MARGIN / 2, y2: down }));
  const y = scale.height - 10;
  const end = MARGIN / 2 + scale.step * scale.perMetre;
  return svg(
    "g",
    { "aria-hidden": "true" },
    lines,
    svg("path", { class: "lead", d: `M${MARGIN / 2} ${y - 5}v5H${end}v-5`, fill: "none" }),
    svg("text", { class: "axis", x: end + 6, y: y + 1 }, words.room.plan2d.scale(figure(scale.step))),
  );
}

/** One scale for both directions, so that a metre is a metre; never a drawing of nothing. */
function scaleOf(points, width) {
  const [top, left] = [0, 1].map((axis) => Math.min(...points.map((p) => p[axis])));
  const [bottom, right] = [0, 1].map((axis) => Math.max(...points.map((p) => p[axis])));
  const wide = Math.max(right - left, 1);
  const deep = Math.max(bottom - top, 1);
  const inner = width - 2 * MARGIN;
  const perMetre = Math.min(inner / wide, (width * TALLEST - 2 * MARGIN) / deep);
  const height = deep * perMetre + 2 * MARGIN;
  const indent = MARGIN + (inner - wide * perMetre) / 2;
  const centred = { x: (wide - (right - left)) / 2, y: (deep - (bottom - top)) / 2 };
  const x = (metres) => indent + (metres - left + centred.x) * perMetre;
  const y = (metres) => MARGIN + (metres - top + centred.y) * perMetre;
  const step = STEPS_M.find((metres) => metres * perMetre >= 48) ?? STEPS_M.at(-1);
  return {
    width,
    height,
    perMetre,
    step,
    at: (point) => ({ x: x(point[1]), y: y(point[0]) }),
    across: ticks(left - (indent - MARGIN / 2) / perMetre, right + (indent - MARGIN / 2) / perMetre, step).map(x).filter((v) => v > MARGIN / 2 && v < width - MARGIN / 2),
    down: ticks(top - 1, bottom + 1, step).map(y).filter((v) => v > MARGIN / 2 && v < height - MARGIN / 2),
  };
}

function ticks(low, high, step) {
  const found = [];
  for (let n = Math.ceil(low / step); n * step <= high && found.length < 400; n += 1) found.push(n * step);
  return found;
}

function listeningPoints(positions) {
  const found = new Map();
  for (const { listen_at_m: point } of positions) if (point) found.set(`${point[0]} ${point[1]}`, point);
  return [...found.values()];
}

/** What is to be said beside the plan: which positions are not in it, and which have no label. */
export function planNotes(room, unnamed) {
  const without = room.positions.filter((p) => !p.at_m).length;
  const notes = [without ? words.room.plan2d.some(without) : "", unnamed ? words.room.plan2d.unnamed : ""].filter(Boolean);
  return notes.length ? el("p", { class: "quiet small" }, notes.join(" ")) : null;
}
