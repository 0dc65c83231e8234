// A position: what it should be beside what it is, its curves, where it hangs, and what stands behind it.

import { at } from "../api.js";
import { el, fill, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { Said, facts, moment, part, sentences } from "../parts/facts.js";
import { ResponsePlot } from "../parts/plot.js";
import { table } from "../parts/table.js";
import { smallPlan, whereWords } from "../parts/where.js";
import { decibels, figure, words } from "../words.js";

const BLINK_S = 10;
const SETTLE_MS = 400;

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const room = route.parts[0];
  const position = route.parts.at(-1);
  const { api, signal } = context;
  const read = () =>
    Promise.all([
      api.get(at("rooms", room, "positions", position), { signal }),
      api.get(at("rooms", room, "responses"), { query: { position }, signal }),
    ]);
  const [first, curves] = await read();
  context.title(first.position);
  const page = pageOf(main, context);
  page(first, curves);
  whenItMoves(context, first, async () => page(...(await read())));
}

/** Ask again, a moment after something happened that may have to do with this position, and bear that it fails. */
export function whenItMoves({ live, signal }, { room, devices = [] }, again) {
  let timer = 0;
  signal.addEventListener("abort", () => clearTimeout(timer));
  live.listen(({ kind, data }) => {
    const ours = {
      gap: true,
      change: data.change?.rooms?.includes(room),
      room: data.room?.room === room,
      device: data.device?.rooms?.includes(room) || devices.includes(data.device?.device),
      drift: data.drift?.rooms?.includes(room) ?? true,
    };
    if (!ours[kind]) return;
    clearTimeout(timer);
    timer = setTimeout(() => again().catch(() => {}), SETTLE_MS);
  }, signal);
}

function pageOf(main, context) {
  const plot = new ResponsePlot();
  const blink = context.can("integrator") ? new Blink(context) : null;
  const head = el("div", { class: "head" });
  const sheet = el("div");
  const rest = el("div", { class: "position-rest" });
  fill(
    main,
    head,
    el("div", { class: "position-columns" }, el("section", { class: "part" }, el("h2", {}, words.plot.title), plot.node), el("section", { class: "part" }, el("h2", {}, words.position.sheet.title), sheet)),
    rest,
  );
  return (one, curves) => {
    fill(head, ...headOf(one, blink));
    plot.show(curves, one.position);
    fill(sheet, sheetOf(one));
    fill(rest, partsOf(one, context));
  };
}

function headOf(one, blink) {
  blink?.about(one.device);
  return [
    el("p", { class: "trail" }, el("a", { href: at("rooms", one.room) }, told(one.room_name))),
    el("h1", {}, told(one.position)),
    el("p", { class: "lead" }, mark(one.state, words.position.states[one.state] ?? words.position.states.unknown)),
    one.state_words.length ? sentences(one.state_words) : null,
    blink?.node ?? null,
  ].filter(Boolean);
}

function sheetOf(one) {
  const { sheet } = words.position;
  const another = (line) => one.differences.some((d) => d.subject === "live" && d.setting === line.setting);
  return table(
    sheet.caption,
    [
      { name: sheet.setting, head: true, cell: (line) => line.word },
      { name: sheet.wanted, cell: (line) => told(line.wanted, 600) },
      {
        name: sheet.reported,
        cell: (line) => (another(line) ? [told(line.reported, 600), " ", el("span", { class: "another" }, mark("differs", sheet.differs))] : told(line.reported, 600)),
      },
    ],
    one.settings,
    { shown: false },
  );
}

function partsOf(one, context) {
  const { position: own } = words;
  const slight = one.differences.filter((d) => d.grade === "slight" || d.agreed);
  return [
    slight.length || one.notes.length
      ? part(own.differences.more, el("ul", { class: "points" }, slight.map((d) => el("li", {}, told(d.words, 400), ` (${d.agreed ? own.differences.agreed : own.differences.slight})`)), one.notes.map((note) => el("li", {}, told(note, 400)))))
      : null,
    part(own.where.title, el("p", {}, whereWords(one)), one.whereabouts ? el("p", { class: "quiet small" }, own.where.facing) : null, smallPlan(one)),
    part(own.device.title, deviceFacts(one, context)),
    Object.keys(one.references).length ? part(own.elsewhere.title, facts(Object.entries(one.references).map(([name, text]) => [own.elsewhere[name] ?? name, told(text)]))) : null,
    one.line || one.loudspeaker ? part(own.line.title, lineFacts(one)) : null,
  ].filter(Boolean);
}

function deviceFacts(one, { zone }) {
  const { device: box } = one;
  const { device: own } = words.position;
  const group = (name) => el("a", { href: at("rooms", one.room, "groups", name) }, told(name));
  return facts([
    [own.id, el("a", { href: at("devices", box.id) }, told(box.id))],
    [own.output, String(one.output)],
    [own.status, [own.statuses[box.status] ?? "", box.missing_words ? el("span", { class: "quiet" }, " · ", told(box.missing_words, 300)) : ""]],
    [own.seen, box.online ? own.now : moment(box.last_seen, zone)],
    [own.slot, box.edited === null ? null : box.edited ? own.edited : own.asStored],
    [own.model, box.model && told(box.model)],
    [own.serial, box.serial && told(box.serial)],
    [own.firmware, box.firmware && told(box.firmware)],
    [own.rate, box.sample_rate_hz && own.rateIs(box.sample_rate_hz)],
    [own.groups, one.groups.length ? one.groups.flatMap((name, index) => [index ? ", " : "", group(name)]) : null],
    [own.role, one.role && told(one.role)],
    [own.ceiling, one.ceiling_db === null ? null : decibels(one.ceiling_db)],
  ]);
}

function lineFacts({ line, loudspeaker }) {
  const { line: own } = words.position;
  const speaker = loudspeaker ? [[own.loudspeaker, decibels(loudspeaker.level_at_1m_db)]] : [];
  if (!line) return facts(speaker);
  return facts([
    [own.volts, line.volts === null ? own.low : own.voltsAre(figure(line.volts))],
    [own.loudspeakers, String(line.count)],
    [own.load, line.load_w === null ? null : own.watts(figure(line.load_w))],
    [own.ohm, own.ohms(figure(line.load_ohm))],
    [own.cable, line.cable_m === null ? null : own.metres(figure(line.cable_m))],
    [own.loss, line.loss_db === null ? null : decibels(line.loss_db)],
    [own.taps, own.tapsAre(line.set, line.checked, line.count)],
    ...speaker,
  ]);
}

/** Makes a box blink, for who stands before it. */
class Blink {
  constructor({ api, session, signal }) {
    this._api = api;
    this._said = new Said(session.role);
    this._hint = el("p", { class: "quiet small" }, words.position.blink.hint(BLINK_S));
    this._button = el("button", { type: "button", onclick: () => this._blink() }, words.position.blink.button);
    this._timer = 0;
    signal.addEventListener("abort", () => clearTimeout(this._timer));
    this.node = el("div", { class: "blink" }, this._button, this._hint, this._said.node);
  }

  about(device) {
    this._device = device.id;
  }

  async _blink() {
    if (this._busy) return;
    this._busy = true;
    this._said.clear();
    try {
      await this._api.post(at("devices", this._device, "identify"), { seconds: BLINK_S });
      this._tell(words.position.blink.now);
      clearTimeout(this._timer);
      this._timer = setTimeout(() => this._tell(words.position.blink.over), BLINK_S * 1_000);
    } catch (problem) {
      this._said.problem(problem);
    } finally {
      this._busy = false;
    }
  }

  _tell(text) {
    this._hint.textContent = text;
    say(text);
  }
}
