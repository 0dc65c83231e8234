// Wanted and reported responses over each other, as a picture, in words and as a table. The place that is read off
// moves with pointer, finger or arrow keys, and is told to who does not see the lines.

import { el, fill, plain, told } from "../dom.js";
import { words } from "../words.js";
import { APART_DB, apartWords, furthest, nearest } from "./curves.js";
import { PlotPicture, sampleLine } from "./plot-picture.js";
import { HIGHEST_HZ, LOWEST_HZ, THIRDS, gain, hertz } from "./scales.js";
import { table } from "./table.js";

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
    this._picture = new PlotPicture();
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
      this._picture.node,
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
    const { frequencies_hz: hz } = this._document;
    const others = this._others.map((one) => one[`reported_${this._kind}_db`]).filter(Boolean);
    this._picture.draw({ hz, ...this._curves(), others, passband_hz: this._one.passband_hz }, this._width);
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
    this._picture.cross(hz, want, report);
  }

  _point(event) {
    const { left } = this._area.getBoundingClientRect();
    this._move(nearest(this._document.frequencies_hz, this._picture.hzAt(event.clientX - left)));
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

function sample(kind) {
  return el("span", { class: "sample" }, sampleLine(kind), plain(words.plot[kind]));
}
