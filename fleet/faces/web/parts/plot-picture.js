// The picture of a plot: axes, the passband, lines that differ in their dashes, and a cross where they are read off.

import { fill, svg } from "../dom.js";
import { words } from "../words.js";
import { worthShowing } from "./curves.js";
import { THIRDS, along, decibelAxis, hzAt, tick } from "./scales.js";

const ROOM = { left: 44, right: 12, top: 12, bottom: 44 };
const NARROW = 520;
let pictures = 0;

/** A picture to be put into a page as `node`, which nobody needs who listens instead of looking. */
export class PlotPicture {
  constructor() {
    this._id = `picture-${++pictures}`;
    this.node = svg("svg", { class: "lines", "aria-hidden": "true" });
  }

  /** Draw curves (each may be missing) over frequencies in Hz, `others` thin behind them, so many pixels wide. */
  draw({ hz, wanted, reported, others, passband_hz: band }, space) {
    const width = Math.max(260, space || 600);
    const height = Math.round(Math.min(430, Math.max(250, width * 0.46)));
    const axis = decibelAxis(worthShowing(hz, [wanted, reported, ...others].filter(Boolean), band), height < 320 ? 6 : 8);
    const x = (frequency) => ROOM.left + along(frequency) * (width - ROOM.left - ROOM.right);
    const y = (db) => ROOM.top + ((axis.high - db) / (axis.high - axis.low)) * (height - ROOM.top - ROOM.bottom);
    Object.assign(this, { _x: x, _y: y, _width: width, _height: height });
    const clip = `${this._id}-clip`;
    const hatch = `${this._id}-hatch`;
    const line = (gains) => path(hz, gains, x, y);
    for (const [name, value] of Object.entries({ viewBox: `0 0 ${width} ${height}`, width, height })) this.node.setAttribute(name, value);
    this._cross = svg("g", { class: "cross" });
    fill(
      this.node,
      svg(
        "defs",
        {},
        svg("clipPath", { id: clip }, svg("rect", { x: ROOM.left, y: ROOM.top, width: width - ROOM.left - ROOM.right, height: height - ROOM.top - ROOM.bottom })),
        svg("pattern", { id: hatch, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { class: "hatch", d: "M0 0V6" })),
      ),
      outside(band, x, width, height),
      gridOf(axis, x, y, width, height),
      svg(
        "g",
        { "clip-path": `url(#${clip})` },
        wanted && reported ? svg("path", { class: "apart", d: between(hz, wanted, reported, band, x, y), fill: `url(#${hatch})` }) : null,
        others.map((gains) => svg("path", { class: "other", d: line(gains) })),
        reported ? svg("path", { class: "reported", d: line(reported) }) : null,
        wanted ? svg("path", { class: "wanted", d: line(wanted) }) : null,
      ),
      this._cross,
    );
  }

  /** Put the cross at a frequency, and a mark on each curve that has a gain there. */
  cross(hz, want, report) {
    const left = this._x(hz);
    fill(
      this._cross,
      svg("path", { d: `M${left} ${ROOM.top}V${this._height - ROOM.bottom}` }),
      report === null ? null : svg("circle", { class: "at-reported", cx: left, cy: this._clipped(report), r: 5 }),
      want === null ? null : svg("rect", { class: "at-wanted", x: left - 4.5, y: this._clipped(want) - 4.5, width: 9, height: 9 }),
    );
  }

  /** The frequency that lies so many pixels from the left. */
  hzAt(left) {
    return hzAt((left - ROOM.left) / (this._width - ROOM.left - ROOM.right));
  }

  _clipped(db) {
    return Math.min(this._height - ROOM.bottom, Math.max(ROOM.top, this._y(db)));
  }
}

/** A line as the legend shows it. */
export function sampleLine(kind) {
  return svg("svg", { class: "lines", viewBox: "0 0 44 12", width: 44, height: 12, "aria-hidden": "true" }, svg("path", { class: kind, d: "M1 6H43" }));
}

function path(hz, gains, x, y) {
  let begun = false;
  let d = "";
  hz.forEach((frequency, index) => {
    if (gains[index] === null) return;
    d += `${begun ? "L" : "M"}${x(frequency).toFixed(1)} ${y(gains[index]).toFixed(1)}`;
    begun = true;
  });
  return d;
}

/** The area between the two curves inside of the passband. */
function between(hz, wanted, reported, passband_hz, x, y) {
  const inside = hz
    .map((frequency, index) => ({ frequency, index }))
    .filter(({ frequency, index }) => wanted[index] !== null && reported[index] !== null && (!passband_hz || (frequency >= passband_hz[0] && frequency <= passband_hz[1])));
  if (inside.length === 0) return "";
  const point = (gains) => ({ frequency, index }) => `${x(frequency).toFixed(1)} ${y(gains[index]).toFixed(1)}`;
  return `M${inside.map(point(wanted)).join("L")}L${inside.reverse().map(point(reported)).join("L")}Z`;
}

function outside(passband_hz, x, width, height) {
  if (!passband_hz) return null;
  const [left, right] = [ROOM.left, width - ROOM.right];
  const [low, high] = passband_hz.map((hz) => Math.min(right, Math.max(left, x(hz))));
  const shade = (from, to) => (to - from < 0.5 ? null : svg("rect", { class: "outside", x: from, y: ROOM.top, width: to - from, height: height - ROOM.top - ROOM.bottom }));
  const edge = (at) => (at <= left || at >= right ? null : svg("path", { class: "edge", d: `M${at} ${ROOM.top}V${height - ROOM.bottom}` }));
  return svg("g", {}, shade(left, low), shade(high, right), edge(low), edge(high));
}

function gridOf(axis, x, y, width, height) {
  const bottom = height - ROOM.bottom;
  const every = width < NARROW ? 2 : 1;
  const octaves = THIRDS.filter((third) => third.octave);
  const named = octaves.filter((_, index) => index % every === (every - 1));
  const levels = [];
  for (let db = axis.low; db <= axis.high + 1e-9; db += axis.step) levels.push(db);
  return svg(
    "g",
    { class: "axes" },
    octaves.map(({ nominal }) => svg("path", { class: "grid", d: `M${x(nominal)} ${ROOM.top}V${bottom}` })),
    THIRDS.map(({ nominal, octave }) => svg("path", { class: "tick", d: `M${x(nominal)} ${bottom}v${octave ? 7 : 4}` })),
    levels.map((db) => svg("path", { class: db === 0 ? "zero" : "grid", d: `M${ROOM.left} ${y(db)}H${width - ROOM.right}` })),
    levels.map((db) => svg("text", { x: ROOM.left - 7, y: y(db) + 4, "text-anchor": "end" }, db > 0 ? `+${db}` : String(db).replace("-", "\u2212"))),
    named.map(({ nominal }) => svg("text", { x: x(nominal), y: bottom + 20, "text-anchor": "middle" }, tick(nominal))),
    svg("text", { class: "axis-name", x: width - ROOM.right, y: height - 6, "text-anchor": "end" }, words.plot.axis),
    svg("text", { class: "axis-name", x: ROOM.left + 6, y: ROOM.top + 14 }, words.plot.gain),
  );
}
