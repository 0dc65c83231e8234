// A plan in words: which device does what, what gets louder, what is left out, and what speaks against it.

import { el, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { names, sentences } from "./facts.js";
import { valueWords } from "./values.js";

const said = words.plans;
const SHORT = new Set(["level_db", "delay_ms", "polarity", "input", "power_up_slot"]);

/** What a plan does. */
export function planNodes(plan) {
  if (plan.empty) return [el("p", {}, said.nothingRefused), pointsUnder(said.afterwards, plan.afterwards)];
  const moved = Object.entries(plan.modes ?? {}).filter(([, mode]) => mode.was !== mode.then);
  return [
    moved.length ? el("ul", { class: "points" }, moved.map(([room, mode]) => el("li", {}, modeWords(room, mode)))) : null,
    el("ul", { class: "boxes" }, plan.devices.map((device) => deviceItem(device, plan.differences))),
    under(said.louder, plan.louder.length ? sentences(plan.louder) : el("p", { class: "quiet" }, said.notLouder)),
    plan.left_out.length ? under(said.leftOut, el("ul", { class: "points" }, plan.left_out.map(leftOutItem))) : null,
    pointsUnder(said.notes, plan.notes),
    pointsUnder(said.afterwards, plan.afterwards),
  ];
}

/** What a device does in a plan, as a sentence without its subject. */
function stepsOf(device) {
  const lines = [];
  let rising = false;
  for (const step of device.steps) {
    const text = stepWords(step);
    if (step.phase === "ramp" && rising) lines.pop();
    rising = step.phase === "ramp";
    if (text !== lines.at(-1)) lines.push(text);
  }
  return lines.join(", ");
}

/** Where two plans differ, in words that go before the names of devices. */
export function movedBetween(before, now) {
  const was = new Map(before.devices.map((device) => [device.device, JSON.stringify(device.steps)]));
  const is = new Map(now.devices.map((device) => [device.device, JSON.stringify(device.steps)]));
  const lines = [
    [said.movedMore, [...is.keys()].filter((device) => !was.has(device))],
    [said.movedLess, [...was.keys()].filter((device) => !is.has(device))],
    [said.movedOther, [...is.keys()].filter((device) => was.has(device) && was.get(device) !== is.get(device))],
  ]
    .filter(([, devices]) => devices.length)
    .map(([text, devices]) => el("li", {}, names(devices), " ", text));
  if (before.desired_sha256 !== now.desired_sha256) lines.push(el("li", {}, said.movedDesired));
  if (JSON.stringify(before.guards) !== JSON.stringify(now.guards)) lines.push(el("li", {}, said.movedGuards));
  return lines.length ? lines : [el("li", {}, said.movedElse)];
}

/** Guard rails of plans, and which of them somebody lifts. `changed` is called when that is another. */
export class Guards {
  constructor(plans, changed, lifted = new Set()) {
    this._by = new Map();
    for (const guard of plans.flatMap((plan) => plan.guards)) {
      this._by.set(guard.guard, [...(this._by.get(guard.guard) ?? []), guard]);
    }
    this._changed = changed;
    this._lifted = new Set([...lifted].filter((name) => this._mayLift(name)));
  }

  get lifted() {
    return [...this._lifted];
  }

  /** Whether something refuses that nobody can lift. */
  get refuses() {
    return [...this._by.keys()].some((name) => !this._mayLift(name));
  }

  /** Whether something still asks. */
  get asks() {
    return [...this._by.keys()].some((name) => this._mayLift(name) && !this._lifted.has(name));
  }

  nodes() {
    if (this._by.size === 0) return [el("p", {}, mark("right", said.free))];
    const refusing = [...this._by].filter(([name]) => !this._mayLift(name));
    const asking = [...this._by].filter(([name]) => this._mayLift(name));
    return [
      refusing.length
        ? el("div", { class: "panel danger" }, el("h2", {}, said.refuses), el("p", {}, said.refusesHint), refusing.map(refusingNode))
        : null,
      asking.length
        ? el("fieldset", { class: "panel abnormal" }, el("legend", {}, said.asks), asking.map((guard) => this._askingNode(guard)))
        : null,
    ];
  }

  _mayLift(name) {
    return this._by.has(name) && this._by.get(name).every((guard) => guard.may_allow);
  }

  _askingNode([name, hits]) {
    const [title, means] = wordsOf(name);
    const box = el("input", { type: "checkbox", id: `lift-${name}`, checked: this._lifted.has(name), "aria-describedby": `means-${name}` });
    box.addEventListener("change", () => {
      this._lifted[box.checked ? "add" : "delete"](name);
      this._changed();
    });
    return el(
      "div",
      { class: "guard" },
      el("h3", {}, mark("person", title)),
      sentences(hits.map((hit) => hit.words)),
      el("p", { id: `means-${name}` }, means),
      el("label", { class: "tick", for: `lift-${name}` }, box, el("span", {}, said.lift(title))),
    );
  }
}

function refusingNode([name, hits]) {
  const [title, means] = wordsOf(name);
  return el("div", { class: "guard" }, el("h3", {}, mark("person", title)), sentences(hits.map((hit) => hit.words)), el("p", {}, means));
}

function wordsOf(name) {
  return said.guards[name] ?? [plain(name), said.guardElse];
}

function deviceItem(device, differences) {
  const right = differences.filter((difference) => difference.device === device.device);
  return el(
    "li",
    {},
    el("h3", {}, placeNames(device), " ", el("span", { class: "quiet" }, told(device.device, 64))),
    el("p", {}, stepsOf(device)),
    device.stages ? null : el("p", {}, mark("differs", said.plainly)),
    right.length ? el("div", { class: "quiet small" }, `${said.putsRight}:`, el("ul", { class: "points" }, right.map((one) => el("li", {}, told(one.words, 300))))) : null,
  );
}

function placeNames(device) {
  const places = device.positions.map((place) => place.slice(place.indexOf("/") + 1));
  return places.length ? names(places) : null;
}

function leftOutItem(one) {
  return el("li", {}, told(one.position), ": ", told(one.words, 300));
}

function modeWords(room, mode) {
  return [told(room), ": ", words.rooms.mode, " ", told(mode.was ?? said.noMode), " → ", told(mode.then ?? said.noMode)];
}

function stepWords(step) {
  if (step.phase === "recall") return said.step.recall(step.recall);
  if (step.phase === "set") return said.step.set(settingsOf(step.settings).join(", "));
  if (step.phase === "store") return said.step.store(step.slot_contents.map((contents) => contents.slot).join(", "));
  if (step.phase === "ramp") return said.step.ramp(settingsOf(step.settings).join(", "));
  return said.step[step.phase] ?? plain(step.phase);
}

/** Settings that are written, with their values where these are short. */
function settingsOf(settings) {
  const given = new Set();
  for (const of of [settings ?? {}, ...Object.values(settings?.outputs ?? {})]) {
    for (const [name, value] of Object.entries(of)) {
      if (value === null || !(name in said.settings)) continue;
      given.add(SHORT.has(name) ? `${said.settings[name]} ${valueWords(name, value)}` : said.settings[name]);
    }
  }
  return [...given];
}

function pointsUnder(title, lines) {
  return lines.length ? under(title, sentences(lines)) : null;
}

function under(title, held) {
  return el("div", { class: "under" }, el("h3", {}, title), held);
}
