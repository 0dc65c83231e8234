// Asking once, with the plan in words: what changes, what gets louder, who is left out, what speaks against it.

import { el, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";

/**
 * Show a plan and wait for an answer: `"yes"`, `"try"`, or `""` for no, which Escape means as well. `lifts` are the guard
 * rails that a yes lifts; a plan with others cannot be agreed to. `moved` says that it is another plan than before.
 */
export function ask(plan, { title, yes, lifts, mayTry, moved, signal }) {
  const stands = plan.guards.filter((guard) => !lifts.includes(guard.guard));
  const possible = !plan.empty && stands.length === 0;
  const heading = el("h2", { tabindex: "-1", id: "ask-title" }, title);
  return new Promise((resolve) => {
    const dialog = el(
      "dialog",
      { "aria-labelledby": "ask-title" },
      el(
        "div",
        { class: "ask" },
        heading,
        moved ? el("p", {}, mark("waits", words.room.plan.moved)) : null,
        plan.empty ? el("p", {}, mark("right", words.room.plan.empty)) : parts(plan, stands),
        leftOut(plan),
        el(
          "div",
          { class: "buttons" },
          possible ? answer("primary", yes, "yes") : null,
          possible && mayTry ? answer("secondary", words.room.plan.tryIt, "try") : null,
          answer("secondary", possible ? words.room.plan.no : words.shell.close, ""),
        ),
        possible && mayTry ? el("p", { class: "quiet small" }, words.room.plan.tryHint) : null,
      ),
    );
    function answer(kind, text, value) {
      // A second tap on a button that is gone answers nothing: the dialog closes once.
      return el("button", { type: "button", class: kind, onclick: () => dialog.close(value) }, text);
    }
    const leave = () => dialog.close("");
    signal?.addEventListener("abort", leave);
    dialog.addEventListener("close", () => {
      signal?.removeEventListener("abort", leave);
      dialog.remove();
      resolve(dialog.returnValue);
    });
    document.body.append(dialog);
    dialog.showModal();
    heading.focus();
  });
}

function parts(plan, stands) {
  const { plan: said } = words.room;
  const lifted = plan.guards.filter((guard) => !stands.includes(guard));
  return [
    stands.length ? part(said.stands, list(stands.map((g) => told(g.words, 300)), "person"), el("p", { class: "quiet" }, said.ask)) : null,
    part(said.louder, plan.louder.length ? list(plan.louder.map((one) => told(one, 300))) : el("p", {}, said.notLouder)),
    lifted.length ? part(said.guards, list(lifted.map((g) => told(g.words, 300)), "differs")) : null,
    el(
      "details",
      { open: plan.devices.length <= 4 },
      el("summary", {}, said.changes(plan.devices.length)),
      el("ul", { class: "points" }, plan.devices.map((device) => el("li", {}, changesOf(device, plan)))),
    ),
    plan.notes.length ? part(said.notes, list(plan.notes.map((one) => told(one, 300)))) : null,
  ];
}

function leftOut(plan) {
  const { plan: said } = words.room;
  if (!plan.left_out.length) return plan.empty ? null : el("p", { class: "quiet" }, said.nobodyOut);
  return part(said.leftOut, list(plan.left_out.map((one) => [told(one.position), ": ", told(one.words, 300)]), "away"));
}

function changesOf(device, plan) {
  const phases = [...new Set(device.steps.map((step) => step.phase))];
  const steps = phases.map((phase) => words.room.plan.steps[phase] ?? plain(phase, 40)).join(", ");
  const why = plan.differences.filter((d) => d.device === device.device && d.grade !== "slight").map((d) => plain(d.words, 200));
  return [placesOf(device), " ", steps, why.length ? el("span", { class: "quiet" }, ` (${why.join("; ")})`) : null];
}

/** The positions that a device of a plan serves, or its own name. */
export function placesOf(device) {
  const names = device.positions.map((place) => place.slice(place.indexOf("/") + 1));
  return names.length ? names.map((name, index) => [index ? ", " : "", told(name)]) : told(device.device);
}

function part(title, ...children) {
  return el("div", {}, el("h3", {}, title), children);
}

function list(items, state = "") {
  return state
    ? el("ul", {}, items.map((item) => el("li", {}, mark(state, item))))
    : el("ul", { class: "points" }, items.map((item) => el("li", {}, item)));
}
