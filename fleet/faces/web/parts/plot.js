// Wanted and reported responses over each other: axes, two lines that differ in their dashes, and words. The place
// that is read off moves with pointer, finger or arrow keys, and is told to who does not see the lines.

import { el, fill, plain, svg, told } from "../dom.js";
import { words } from "../words.js";
import { HIGHEST_HZ, LOWEST_HZ, THIRDS, along, decibelAxis, gain, hertz, hzAt, tick } from "./scales.js";
import { table } from "./table.js";

const ROOM = { left: 44, right: 12, top: 12, bottom: 44 };
const NARROW = 520;
const APART_DB = 0.05;
const BELOW_DB = 6;
let plots = 0;

/**
 * A plot of one position's responses, a member of `fleet-responses/1`; `others` are drawn thin behind it.
 *
 * `show(document, position)` shows another one; what was chosen to be drawn and read off stays. `kind`: `eq` or `chain`, to begin with.
 */
export class ResponsePlot {
  constructor(kind = "eq") {
    this._id = `plot-${++plots}`;
    this._kind = kind;
    this._at = -1;
    this._width = 0;
    this._kinds = el("div", { class: "kinds", role: "group", "aria-label": words.plot.kindsName });
    this._hint = el("p", { class: "quiet small" });
    this._read = el("p", { class: "read", id: `${this._id}-read` });
    this._lines = svg("svg", { class: "lines", "aria-hidden": "true" });
    this._area = el(
      "div",
      {
        class: "plot-area",
        role: "slider",
        tabindex: "0",
        "aria-label": words.plot.frequency,
        "aria-describedby": `${this._id}-how`,
        onkeydown: (event) => this._key(event),
        onpointermove: (event) => this._point(event),
        onpointerdown: (event) => this._point(event),
      },
      this._lines,
    );
    this._legend = el("div", { class: "legend" });
    this._said = el("div", { class: "plot-said" });
    this._how = el("p", { class: "quiet small", id: `${this._id}-how` }, words.plot.how);
    this._table = el("div");
    this.node = el(
      "figure",
      { class: "plot" },
      el("div", { class: "plot-head" }, this._kinds, this._legend),
      this._read,
      this._area,
      this._said,
      this._hint,
      this._how,
      el("details", {}, el("summary", {}, words.plot.table), this._table),
    );
    new ResizeObserver(() => this._sized()).observe(this._area);
  }

  /** Show a position of a document of responses, the others of it thin behind it. */
  show(document, position) {
    this._document = document;
    this._one = document.positions.find((one) => one.position === position);
    this._others = document.positions.filter((one) => one !== this._one);
    if (this._at < 0) this._at = nearest(document.frequencies_hz, 1_000);
    this._at = Math.min(this._at, document.frequencies_hz.length - 1);
    this._draw();
  }

  _curves() {
    return { wanted: this._one[`wanted_${this._kind}_db`], reported: this._one[`reported_${this._kind}_db`] };
  }

  _draw() {
    const { wanted, reported } = this._curves();
    fill(
      this._kinds,
      Object.entries(words.plot.kinds).map(([kind, name]) =>
        el("button", { type: "button", "aria-pressed": String(kind === this._kind), "data-kind": kind, onclick: () => this._choose(kind) }, name),
      ),
    );
    this._hint.textContent = words.plot.kindsHint[this._kind];
    const any = Boolean(wanted ?? reported);
    for (const node of [this._area, this._how, this._read, this._table.parentNode]) node.hidden = !any;
    fill(this._legend, wanted ? sample("wanted") : null, reported ? sample("reported") : null);
    fill(this._said, this._sentences(wanted, reported).map((text) => el("p", {}, text)));
    if (!any) return;
    this._drawLines();
    this._drawTable(wanted, reported);
    this._readOff();
  }

  _choose(kind) {
    this._kind = kind;
    this._draw();
    this._kinds.querySelector(`[data-kind="${kind}"]`).focus();
  }

  /** What the picture says, for everybody. */
  _sentences(wanted, reported) {
    const { why_not_wanted: noWish, why_not_reported: noAnswer, passband_hz: band } = this._one;
    const said = [];
    if (!wanted && !reported) said.push(words.plot.nothing);
    if (!wanted && (noWish || this._kind === "chain")) said.push([`${words.plot.noneWanted}: `, told(noWish), "."]);
    else if (!wanted) said.push(words.plot.noEqWanted);
    if (!reported) said.push([`${words.plot.noneReported}: `, told(noAnswer, 300), "."]);
    if (wanted && reported) said.push(this._furthest(wanted, reported));
    if (band) said.push(words.plot.passband(hertz(band[0]), hertz(band[1])));
    return said;
  }

  _furthest(wanted, reported) {
    const found = furthest(this._document.frequencies_hz, wanted, reported, this._one.passband_hz);
    return found.by < APART_DB ? words.plot.together : words.plot.furthest(gain(found.by).replace("+", ""), hertz(found.hz));
  }

  _sized() {
    const { width } = this._area.getBoundingClientRect();
    if (Math.round(width) === this._width || !this._one) return;
    this._width = Math.round(width);
    if (this._curves().wanted ?? this._curves().reported) {
      this._drawLines();
      this._readOff();
    }
  }

  _drawLines() {
    const width = Math.max(260, this._width || 600);
    const height = Math.round(Math.min(430, Math.max(250, width * 0.46)));
    const { wanted, reported } = this._curves();
    const hz = this._document.frequencies_hz;
    const others = this._others.map((one) => one[`reported_${this._kind}_db`]).filter(Boolean);
    const shown = worthShowing(hz, [wanted, reported, ...others].filter(Boolean), this._one.passband_hz);
    const axis = decibelAxis(shown, height < 320 ? 6 : 8);
    const x = (frequency) => ROOM.left + along(frequency) * (width - ROOM.left - ROOM.right);
    const y = (db) => ROOM.top + ((axis.high - db) / (axis.high - axis.low)) * (height - ROOM.top - ROOM.bottom);
    this._x = x;
    this._y = y;
    this._size = { width, height };
    const clip = `${this._id}-clip`;
    const hatch = `${this._id}-hatch`;
    const line = (gains) => path(hz, gains, x, y);
    this._lines.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this._lines.setAttribute("width", width);
    this._lines.setAttribute("height", height);
    this._cross = svg("g", { class: "cross" });
    fill(
      this._lines,
      svg(
        "defs",
        {},
        svg("clipPath", { id: clip }, svg("rect", { x: ROOM.left, y: ROOM.top, width: width - ROOM.left - ROOM.right, height: height - ROOM.top - ROOM.bottom })),
        svg("pattern", { id: hatch, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { class: "hatch", d: "M0 0V6" })),
      ),
      outside(this._one.passband_hz, x, width, height),
      gridOf(axis, x, y, width, height),
      svg(
        "g",
        { "clip-path": `url(#${clip})` },
        wanted && reported ? svg("path", { class: "apart", d: between(hz, wanted, reported, this._one.passband_hz, x, y), fill: `url(#${hatch})` }) : null,
        others.map((gains) => svg("path", { class: "other", d: line(gains) })),
        reported ? svg("path", { class: "reported", d: line(reported) }) : null,
        wanted ? svg("path", { class: "wanted", d: line(wanted) }) : null,
      ),
      this._cross,
    );
  }

  _drawTable(wanted, reported) {
    const { frequencies_hz: hz } = this._document;
    const rows = THIRDS.map(({ nominal, exact }) => ({ nominal, index: nearest(hz, exact) }));
    const one = (gains) => ({ index }) => (gains?.[index] === null || gains?.[index] === undefined ? "" : this._said_db(gains[index]));
    const columns = [
      { name: words.plot.frequency, head: true, cell: ({ index }) => hertz(hz[index]) },
      wanted ? { name: words.plot.wanted, cell: one(wanted) } : null,
      reported ? { name: words.plot.reported, cell: one(reported) } : null,
      wanted && reported
        ? { name: words.plot.apart, cell: ({ index }) => apartWords(wanted[index], reported[index]) }
        : null,
    ].filter(Boolean);
    fill(this._table, table(words.plot.tableCaption, columns, rows));
  }

  _said_db(db) {
    return gain(db, this._kind === "eq" ? this._document.floor_db : undefined);
  }

  /** Tell and mark what the curves have at the frequency that is read off. */
  _readOff() {
    const hz = this._document.frequencies_hz[this._at];
    const { wanted, reported } = this._curves();
    const want = wanted?.[this._at] ?? null;
    const report = reported?.[this._at] ?? null;
    const { at } = words.plot;
    const said =
      want !== null && report !== null
        ? at.both(hertz(hz), this._said_db(want), this._said_db(report))
        : want !== null
          ? at.wanted(hertz(hz), this._said_db(want))
          : report !== null
            ? at.reported(hertz(hz), this._said_db(report))
            : at.none(hertz(hz));
    const apart = want !== null && report !== null ? apartWords(want, report) : "";
    fill(this._read, el("strong", {}, said), apart ? el("span", { class: "quiet" }, ` · ${apart}`) : null);
    const { dataset } = this._area;
    dataset.hz = String(Math.round(hz));
    for (const [name, value] of Object.entries({ valuemin: LOWEST_HZ, valuemax: HIGHEST_HZ, valuenow: Math.round(hz), valuetext: apart ? `${said}, ${apart}` : said })) {
      this._area.setAttribute(`aria-${name}`, value);
    }
    const left = this._x(hz);
    const { height } = this._size;
    fill(
      this._cross,
      svg("path", { d: `M${left} ${ROOM.top}V${height - ROOM.bottom}` }),
      report === null ? null : svg("circle", { class: "at-reported", cx: left, cy: this._clipped(report), r: 5 }),
      want === null ? null : svg("rect", { class: "at-wanted", x: left - 4.5, y: this._clipped(want) - 4.5, width: 9, height: 9 }),
    );
  }

  _clipped(db) {
    return Math.min(this._size.height - ROOM.bottom, Math.max(ROOM.top, this._y(db)));
  }

  _point(event) {
    const box = this._area.getBoundingClientRect();
    const share = (event.clientX - box.left - ROOM.left) / (this._size.width - ROOM.left - ROOM.right);
    this._move(nearest(this._document.frequencies_hz, hzAt(share)));
  }

  _key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const hz = this._document.frequencies_hz;
    const by = (factor) => nearest(hz, hz[this._at] * factor);
    const third = 10 ** 0.1;
    const octave = 10 ** 0.3;
    const keys = {
      ArrowRight: event.shiftKey ? this._at + 1 : by(third),
      ArrowUp: event.shiftKey ? this._at + 1 : by(third),
      ArrowLeft: event.shiftKey ? this._at - 1 : by(1 / third),
      ArrowDown: event.shiftKey ? this._at - 1 : by(1 / third),
      PageUp: by(octave),
      PageDown: by(1 / octave),
      Home: 0,
      End: hz.length - 1,
    };
    if (!Object.hasOwn(keys, event.key)) return;
    event.preventDefault();
    this._move(keys[event.key]);
  }

  _move(to) {
    const at = Math.min(this._document.frequencies_hz.length - 1, Math.max(0, to));
    if (at === this._at) return;
    this._at = at;
    this._readOff();
  }
}

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
function worthShowing(hz, curves, passband_hz) {
  const inside = (index) => !passband_hz || (hz[index] >= passband_hz[0] && hz[index] <= passband_hz[1]);
  const given = curves.map((gains) => gains.map((db, index) => ({ db, counts: inside(index) })).filter(({ db }) => db !== null)).flat();
  const least = Math.min(...given.filter(({ counts }) => counts).map(({ db }) => db), 0) - BELOW_DB;
  return given.map(({ db }) => Math.max(db, least));
}

function apartWords(wanted, reported) {
  if (wanted === null || reported === null) return "";
  const by = reported - wanted;
  if (Math.abs(by) < APART_DB) return words.plot.same;
  const size = gain(Math.abs(by)).replace("+", "");
  return by > 0 ? words.plot.more(size) : words.plot.less(size);
}

function sample(kind) {
  return el("span", { class: "sample" }, svg("svg", { class: "lines", viewBox: "0 0 44 12", width: 44, height: 12, "aria-hidden": "true" }, svg("path", { class: kind, d: "M1 6H43" })), plain(words.plot[kind]));
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
