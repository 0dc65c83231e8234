// Small things that several pages show: names with their values, moments, lists, a problem.

import { problemWords } from "../api.js";
import { el, fill, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock } from "../words.js";

const LONGEST = 400;

/** Names with what goes by them, as pairs; a pair without a value is left out. */
export function facts(pairs) {
  const given = pairs.filter(([, value]) => value !== null && value !== undefined && value !== "" && value !== false);
  return el("dl", { class: "named" }, given.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value))));
}

/** A moment on the venue's clock; nothing where there is none. */
export function moment(at, zone) {
  return at ? el("time", { datetime: at }, clock(at, zone)) : null;
}

/** Sentences that the daemon made, which hold names from devices and files. */
export function sentences(lines, longest = LONGEST) {
  return el("ul", { class: "points" }, lines.map((line) => el("li", {}, told(line, longest))));
}

/** A part of a page with its heading. */
export function part(title, ...held) {
  return el("section", { class: "part" }, el("h2", {}, title), held);
}

/** A place that tells what went wrong with something that was asked for from here. */
export class Said {
  constructor(role) {
    this._role = role;
    this.node = el("div", { class: "said", role: "alert" });
  }

  clear() {
    fill(this.node);
  }

  problem(problem) {
    fill(this.node, el("p", { class: "panel abnormal" }, mark("person", told(problemWords(problem, this._role), 1_000))));
  }
}

/** Names, one beside the other. */
export function names(list, longest = 80) {
  return list.flatMap((name, index) => [index ? ", " : "", told(name, longest)]);
}
