// A walk at its end, or paused: whether everything is back, what was found, and what is left.

import { at, problemWords } from "../api.js";
import { el, fill, told } from "../dom.js";
import { mark } from "../marks.js";
import { moment, part } from "../parts/facts.js";
import { table } from "../parts/table.js";
import { clock, decibels, figure, words } from "../words.js";

/** Draw it. `leading` goes on with it where something is left. */
export function showEnding(place, leading, walk, { zone, trouble, can }) {
  const { end } = words.walk;
  const done = walk.state === "done";
  const missed = walk.not_walked.filter((one) => !one.life_safety);
  const left = walk.left.length > 0 || missed.length > 0;
  fill(
    place,
    el(
      "div",
      { class: "head" },
      el("p", { class: "trail" }, el("a", { href: "/walk" }, end.another)),
      el("h1", {}, done ? end.done : end.stopped),
      el("p", { class: "lead" }, isBack(walk)),
      walk.all_back ? null : el("p", {}, el("a", { href: at("changes", `${walk.id}-${walk.steps}`) }, end.toChange)),
      walk.words ? el("p", { class: "quiet" }, `${end.why}: `, told(walk.words, 400)) : null,
      el("p", { class: "facts small" }, el("span", {}, told(walk.room)), el("span", {}, told(walk.led_by || walk.who)), moment(walk.ended ?? walk.began, zone)),
    ),
    trouble ? el("p", { class: "panel abnormal", role: "alert" }, mark("person", told(problemWords(trouble, "integrator"), 600))) : null,
    left && can("integrator") ? el("section", { class: "part" }, el("button", { type: "button", class: "primary", "data-do": "go-on", onclick: () => leading.takeOver() }, end.goOn), el("p", { class: "quiet small" }, end.goOnHint)) : null,
    part(end.found, found(walk)),
    walk.against ? part(end.against(clock(walk.against.began, zone)), walk.against.findings.length ? points(walk.against.findings) : el("p", {}, end.same)) : null,
    walk.not_walked.length ? part(end.notWalked, points(walk.not_walked)) : null,
    walk.left.length ? part(end.left, el("ul", { class: "points" }, walk.left.map((name) => el("li", {}, told(name))))) : null,
    walk.heard.length ? part(end.answers, answers(walk)) : null,
  );
}

function isBack(walk) {
  const { end } = words.walk;
  if (walk.all_back) return mark("right", end.back);
  return mark("person", end.notBack);
}

function found(walk) {
  const { end } = words.walk;
  if (walk.findings.length) return points(walk.findings);
  return el("p", {}, walk.heard.length ? mark("right", end.nothing) : end.nothingYet);
}

function points(list) {
  return el("ul", { class: "points" }, list.map((one) => el("li", {}, el("strong", {}, told(one.position)), ": ", told(one.words, 400))));
}

function answers(walk) {
  const { end, test } = words.walk;
  const order = (one) => walk.positions.indexOf(one.position);
  const columns = [
    { name: end.position, head: true, cell: (one) => told(one.position) },
    { name: end.at, cell: (one) => decibels(one.level_db) },
    ...Object.entries(test.short).map(([question, name]) => ({ name, cell: (one) => test.answers[one.answers[question]] })),
    { name: end.measured, cell: (one) => measured(one) },
    { name: test.notes, cell: (one) => (one.answers.notes ? told(one.answers.notes, 2_000) : null) },
  ];
  return table(end.answers, columns, [...walk.heard].sort((a, b) => order(a) - order(b)), { shown: false });
}

function measured({ answers: given, off_percent: off }) {
  const { end } = words.walk;
  const parts = [];
  if (given.impedance_ohm !== null) parts.push(end.ohm(figure(given.impedance_ohm), off === null ? null : `${off > 0 ? "+" : ""}${figure(off)}`));
  if (given.level_db !== null) parts.push(decibels(given.level_db));
  return parts.length ? [parts.join(", "), " ", el("span", { class: "quiet" }, "(", told([given.instrument, given.instrument_serial].filter(Boolean).join(", ")), ")")] : null;
}
