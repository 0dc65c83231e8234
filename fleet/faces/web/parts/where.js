// Where a position is: in words as seen from the listening point, and a small plan seen from above, the stage at its
// top. x leads from the stage into the room, y to the right as the audience looks, z up.

import { el, plain, svg } from "../dom.js";
import { figure, words } from "../words.js";

const NEAR_M = 0.05;
const WIDTH = 320;
const MOST_HEIGHT = 240;
const LEAST_HEIGHT = 120;
const MARGIN = 26;

/** The words: "From the listening point: 13 m to the front, 5 m to the left, 4.3 m up; 14.6 m away." */
export function whereWords({ whereabouts: from, at_m: at }) {
  const { where } = words.position;
  if (from) {
    const parts = [
      side(from.ahead_m, where.ahead, where.behind),
      side(from.right_m, where.right, where.left),
      side(from.above_m, where.above, where.below),
    ].filter(Boolean);
    return parts.length ? where.words(parts, figure(from.distance_m)) : where.here;
  }
  return at ? where.noPoint(...at.map(figure)) : where.none;
}

/** A small plan with one position among the others of its room; nothing where it has no coordinates. */
export function smallPlan({ position, at_m: at, plan: { listen_at_m: ear, positions } }) {
  if (!at) return null;
  const points = [...positions.map((one) => one.at_m), ...(ear ? [ear] : [])];
  const place = placing(points);
  const [x, y] = place(at);
  const others = positions.filter((one) => one.position !== position);
  return el(
    "div",
    { class: "small-plan" },
    svg(
      "svg",
      { viewBox: `0 0 ${WIDTH} ${place.height}`, role: "img", "aria-label": words.position.where.plan(plain(position, 60)) },
      svg("path", { class: "stage", d: `M${MARGIN} 8H${WIDTH - MARGIN}` }),
      svg("text", { class: "word", x: WIDTH / 2, y: 22, "text-anchor": "middle" }, words.position.where.stage),
      others.map((one) => spot(place(one.at_m))),
      ear ? listening(place(ear), place.height) : null,
      svg("circle", { class: "around", cx: x, cy: y, r: 13 }),
      svg("circle", { class: "here", cx: x, cy: y, r: 7 }),
    ),
  );
}

function side(metres, one, other) {
  if (Math.abs(metres) < NEAR_M) return "";
  return (metres > 0 ? one : other)(figure(Math.abs(metres)));
}

/** Brings coordinates into the picture, to scale, with room for marks around them. */
function placing(points) {
  const across = span(points.map(([, y]) => y));
  const deep = span(points.map(([x]) => x));
  const inside = WIDTH - 2 * MARGIN;
  const most = MOST_HEIGHT - 2 * MARGIN - 16;
  const scale = Math.min(inside / across.size, most / deep.size);
  const height = Math.max(LEAST_HEIGHT, deep.size * scale + 2 * MARGIN + 16);
  const place = ([x, y]) => [WIDTH / 2 + (y - across.middle) * scale, (height + 16) / 2 + (x - deep.middle) * scale];
  place.height = height;
  return place;
}

function span(values) {
  const low = Math.min(...values);
  const high = Math.max(...values);
  return { middle: (low + high) / 2, size: Math.max(high - low, 1) };
}

function spot([x, y]) {
  return svg("rect", { class: "other", x: x - 3.5, y: y - 3.5, width: 7, height: 7 });
}

function listening([x, y], height) {
  const above = y > height - 24;
  return svg(
    "g",
    {},
    svg("circle", { class: "ear", cx: x, cy: y, r: 5 }),
    svg("path", { class: "ear", d: `M${x} ${y - 9}V${y - 17}M${x - 3} ${y - 13}L${x} ${y - 17}L${x + 3} ${y - 13}` }),
    svg("text", { class: "word", x: x + 11, y: y + (above ? -2 : 4) }, words.position.where.listening),
  );
}
