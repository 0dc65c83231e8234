// From what is asked for to a change that has begun: its plan is shown, guard rails are lifted one by one, and it is
// begun by the plan's hash. Where the plan is another one by then, that one is shown, with what moved.

import { Problem } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { Said } from "./facts.js";
import { Guards, movedBetween, planNodes } from "./plan.js";

const said = words.plans;
const USUAL_TRIAL_S = 120;
const MOST_NEWS = 5;

/**
 * Show a plan in `place`, and begin it where somebody says so.
 *
 * `look()` gives `[{room, plan, refused}]`, one entry a room; `begin(entries, how)` begins them, `how` being
 * `{allow, why, keep_within_s}`; `leave()` goes back. `trial` tells whether it may be on trial.
 */
export async function showPlanning(place, context, { title, hint = "", look, begin, leave, trial = true }) {
  const head = el("h1", { tabindex: "-1" }, title);
  const body = el("div", { class: "planning" });
  const wrong = new Said(context.session.role);
  const news = [];
  const kept = { allow: new Set(), why: "", within: null };
  let entries = null;
  let busy = false;

  fill(place, el("div", { class: "head" }, head, hint ? el("p", { class: "lead" }, hint) : null), body);
  fill(body, el("p", { class: "quiet" }, words.differences.planning));
  context.live.listen(({ kind, data }) => hear(kind, data), context.signal);
  head.focus({ preventScroll: true });
  window.scrollTo(0, 0);
  try {
    entries = await look();
    draw();
  } catch (problem) {
    if (context.signal.aborted) return;
    wrong.problem(problem);
    fill(body, wrong.node, backButton());
  }

  function draw(moved = null) {
    const plans = entries.filter((entry) => entry.plan && !entry.plan.empty).map((entry) => entry.plan);
    const rooms = entries.length > 1;
    const guards = new Guards(plans, settle, kept.allow);
    const devices = new Set(plans.flatMap((plan) => plan.devices.map((device) => device.device)));
    const why = el("input", { id: "why", maxlength: "1000", value: kept.why, autocomplete: "off" });
    const length = trialChoice(kept.within, plans);
    const button = el("button", { type: "submit", class: "primary" }, rooms ? said.beginRooms(devices.size, plans.length) : said.begin(devices.size));
    const hold = el("p", { id: "why-not", class: "quiet" });
    const form = el(
      "form",
      { class: "asking", novalidate: true },
      el("div", { class: "guards" }, guards.nodes()),
      guards.refuses
        ? null
        : [trial && !rooms ? length.node : null, el("div", { class: "field" }, el("label", { for: "why" }, said.why), why)],
      wrong.node,
      hold,
      el("div", { class: "buttons" }, guards.refuses ? null : button, backButton()),
    );
    why.addEventListener("input", () => (kept.why = why.value));
    form.addEventListener("change", () => (kept.within = length.seconds()));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (busy || guards.refuses || guards.asks) return;
      await go({ allow: guards.lifted, why: why.value.trim(), keep_within_s: trial && !rooms ? length.seconds() : null }, button);
    });
    fill(
      body,
      moved,
      plans.length ? (rooms ? el("p", { class: "lead" }, said.changes(devices.size)) : null) : el("p", { class: "lead" }, said.none),
      entries.map((entry) => entryNode(entry, rooms)),
      plans.length ? form : [wrong.node, el("div", { class: "buttons" }, backButton())],
    );
    settle();

    function settle() {
      kept.allow = new Set(guards.lifted);
      button.disabled = guards.asks;
      if (guards.asks) button.setAttribute("aria-describedby", "why-not");
      else button.removeAttribute("aria-describedby");
      hold.textContent = guards.refuses ? said.cannot : guards.asks ? said.liftFirst : "";
    }
  }

  async function go(how, button) {
    busy = true;
    button.disabled = true;
    wrong.clear();
    try {
      await begin(entries, how);
    } catch (problem) {
      if (context.signal.aborted) return;
      busy = false;
      button.disabled = false;
      if (problem instanceof Problem && problem.status === 409) await anew(problem);
      else wrong.problem(problem);
    }
  }

  /** It was refused as it is by now: look again, and tell what is another. */
  async function anew(problem) {
    const before = entries;
    try {
      entries = await look();
    } catch (later) {
      wrong.problem(later);
      return;
    }
    if (problem.kind !== "Moved") {
      draw();
      wrong.problem(problem);
      return;
    }
    const panel = movedPanel(before, entries, news.splice(0));
    draw(panel);
    say(said.moved);
    panel.focus();
    window.scrollTo(0, 0);
  }

  /** What happened while the plan was looked at is why it is another one, as far as anybody knows. */
  function hear(kind, data) {
    const rooms = new Set(entries?.flatMap((entry) => entry.plan?.rooms ?? [entry.room]));
    if (kind === "change" && data.change.rooms.some((room) => rooms.has(room))) {
      news.splice(0, news.length, ...news.filter((one) => one.id !== data.change.id), { id: data.change.id, change: data.change });
    } else if (kind === "drift" && data.drift.rooms.some((room) => rooms.has(room))) {
      news.push({ id: null, drift: data.drift });
    }
  }

  function backButton() {
    return el("button", { type: "button", onclick: () => leave() }, said.leave);
  }
}

function movedPanel(before, now, news) {
  const lines = now.flatMap((entry) => {
    const was = before.find((one) => one.room === entry.room);
    return was?.plan && entry.plan && was.plan.digest !== entry.plan.digest ? movedBetween(was.plan, entry.plan) : [];
  });
  return el(
    "div",
    { class: "panel abnormal", role: "alert", tabindex: "-1", "data-moved": true },
    el("p", {}, mark("differs", said.moved)),
    el("p", {}, `${said.movedNow}:`),
    el("ul", { class: "points" }, lines, news.slice(-MOST_NEWS).map(newsItem)),
  );
}

function newsItem({ change, drift }) {
  if (drift) return el("li", {}, told(drift.device, 64), ": ", told(drift.words, 300));
  const kind = words.room.change.title[change.kind] ?? plain(change.kind);
  const state = words.changes.state[change.state] ?? plain(change.state);
  return el("li", {}, kind, " ", told(change.scope), ", ", told(change.who), ": ", state);
}

function entryNode(entry, rooms) {
  const title = el("h2", {}, rooms ? told(entry.title ?? entry.room) : entry.plan?.devices.length ? said.changes(entry.plan.devices.length) : said.what);
  if (entry.refused) {
    const reasons = [entry.refused.words, ...entry.refused.devices.map((one) => `${one.device}: ${one.words}`)].filter(Boolean);
    return el("section", { class: "part" }, title, mark("person", said.roomRefused), el("ul", { class: "points" }, reasons.map((text) => el("li", {}, told(text, 300)))));
  }
  return el("section", { class: "part" }, title, planNodes(entry.plan));
}

function trialChoice(within, plans) {
  const lengths = Object.entries(said.trialLengths);
  const select = el(
    "select",
    { id: "trial-length", "aria-label": said.trialLength },
    lengths.map(([seconds, text]) => el("option", { value: seconds, selected: Number(seconds) === (within ?? USUAL_TRIAL_S) }, text)),
  );
  const now = el("input", { type: "radio", name: "trial", value: "now", checked: within === null });
  const later = el("input", { type: "radio", name: "trial", value: "later", checked: within !== null });
  select.addEventListener("change", () => (later.checked = true));
  const weak = plans.flatMap((plan) => plan.devices.filter((device) => !device.timer).map((device) => device.device));
  const node = el(
    "fieldset",
    { class: "trial" },
    el("legend", {}, said.trial),
    el("label", { class: "tick" }, now, el("span", {}, said.trialNow)),
    el("div", { class: "with-length" }, el("label", { class: "tick" }, later, el("span", {}, said.trialWithin)), select),
    weak.length ? el("p", { class: "small" }, mark("differs", said.trialWeak, " ", told(weak.join(", "), 300))) : null,
  );
  return { node, seconds: () => (later.checked ? Number(select.value) : null) };
}
