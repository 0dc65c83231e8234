// Following a change to its end: a line for each box, a trial with its time, the result in words, and what to do next.

import { at, Problem, problemWords, sentenceFor } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { placesOf } from "./asking.js";

const WAIT_S = 0.4;
const TRIAL_WAIT_S = 5;
const AGAIN_MS = 1_500;
const SPOKEN_S = [60, 30, 10];

export class Following {
  /**
   * Draws into `place`. `ended(change)` is told when a change that was followed has ended, `drawn(change)` whenever it
   * was drawn.
   */
  constructor(place, context, { roomName, ended, drawn = () => {} }) {
    this._place = place;
    this._context = context;
    this._done = "";
    this._trialShown = "";
    this._roomName = roomName;
    this._ended = ended;
    this._drawn = drawn;
    /** The change that is followed now; empty for none. */
    this.change = "";
    this._wake = () => {};
    this._ticking = 0;
    context.live.listen(({ kind, data }) => kind === "change" && data.change.id === this.change && this._wake(), context.signal);
    context.signal.addEventListener("abort", () => clearInterval(this._ticking));
  }

  /** Follow a change. `mine` is false where another one began it; `done` says in words what it did once it is kept. */
  async follow(id, { mine = true, done = "" } = {}) {
    if (this.change === id) return;
    this.change = id;
    this._done = done;
    const { api, signal } = this._context;
    let state = "";
    while (!signal.aborted && this.change === id) {
      let change;
      try {
        const onTrial = state === "on trial";
        const query = { wait_s: state === "" ? 0 : onTrial ? TRIAL_WAIT_S : WAIT_S, or_trial: !onTrial };
        change = await Promise.race([api.get(`/changes${at(id)}`, { query, signal }), this._woken()]);
      } catch (problem) {
        if (signal.aborted) return;
        if (!(problem instanceof Problem) || problem.status !== 0) {
          this._fail(problem);
          return;
        }
        await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
        continue;
      }
      if (change === null || signal.aborted || this.change !== id) continue;
      if (change.state !== state) say(words.room.change.states[change.state] ?? plain(change.state, 40));
      state = change.state;
      this._draw(change, mine);
      this._drawn(change);
      if (change.ended) {
        this.change = "";
        this._ended(change);
        return;
      }
    }
  }

  /** Take the panel away, where nothing is followed. */
  clear() {
    if (this.change === "") this._show("", null);
  }

  /** Resolves when the daemon tells of this change: then it is asked again at once. */
  _woken() {
    return new Promise((resolve) => {
      this._wake = () => resolve(null);
    });
  }

  _fail(problem) {
    this.change = "";
    this._show("abnormal", el("p", {}, mark("unknown", problemWords(problem, this._context.session.role))));
  }

  _show(meaning, ...children) {
    clearInterval(this._ticking);
    fill(this._place, children.some(Boolean) ? el("section", { class: `panel ${meaning}`, "aria-label": words.states.busy }, children) : null);
  }

  _draw(change, mine) {
    const ended = change.ended ? change.state : "";
    if (change.state === "on trial") this._drawTrial(change, mine);
    else if (ended) this._drawEnd(change);
    else this._show("", el("h2", {}, mark("busy", words.room.change.states[change.state] ?? plain(change.state))), this._by(change, mine), this._boxes(change));
  }

  _by(change, mine) {
    if (mine) return null;
    const kind = words.room.change.title[change.kind] ?? plain(change.kind, 20);
    return el("p", { class: "quiet" }, `${words.room.change.by(kind)} `, told(change.who, 60), ". ", words.room.change.other);
  }

  _boxes(change) {
    const told_ = lastSteps(change.story);
    const outcomes = new Map(change.devices.map((one) => [one.device, one]));
    const rows = change.plan.devices.map((device) =>
      el("li", {}, el("span", {}, placesOf(device)), boxState(change, told_.get(device.device), outcomes.get(device.device))),
    );
    const out = change.plan.left_out.map((one) =>
      el("li", {}, el("span", {}, told(one.position)), mark(one.unable ? "away" : "alone", words.room.change.leftOut, ": ", told(one.words, 300))),
    );
    return rows.length + out.length ? el("ul", { class: "steps" }, rows, out) : null;
  }

  _drawTrial(change, mine) {
    // By the daemon's clock: that of a tablet on a wall may be anything.
    const until = performance.now() + change.trial_left_s * 1000;
    const left = el("p", { class: "countdown", role: "timer" });
    const keep = el("button", { type: "button", class: "primary" }, words.room.trial.keep);
    const undo = el("button", { type: "button", class: "secondary" }, words.room.trial.undo);
    const wrong = el("p", { class: "wrong", role: "alert" });
    const answer = async (what) => {
      if (keep.disabled) return;
      keep.disabled = undo.disabled = true;
      try {
        await this._context.api.post(`/changes${at(change.id, what)}`, { who: this._context.session.name });
        this._wake();
      } catch (problem) {
        // Somebody else may have answered first: what became of it is shown in a moment.
        if (problem instanceof Problem && problem.status === 409) return;
        keep.disabled = undo.disabled = false;
        wrong.textContent = problemWords(problem, this._context.session.role);
      }
    };
    keep.addEventListener("click", () => answer("keep"));
    undo.addEventListener("click", () => answer("cancel"));
    const may = this._context.session.role !== "auditor";
    if (this._trialShown === change.id && this._place.querySelector(".countdown")) return;
    this._show(
      "mandatory",
      el("h2", {}, mark("waits", words.room.trial.title)),
      this._by(change, mine),
      left,
      may ? el("div", { class: "buttons" }, keep, undo) : null,
      wrong,
      this._boxes(change),
    );
    this._trialShown = change.id;
    const tick = () => {
      const seconds = Math.max(0, Math.round((until - performance.now()) / 1000));
      left.textContent = seconds ? words.room.trial.left(minutes(seconds)) : words.room.trial.over;
      if (SPOKEN_S.includes(seconds)) say(words.room.trial.leftSpoken(seconds));
    };
    tick();
    this._ticking = setInterval(tick, 1_000);
  }

  _drawEnd(change) {
    this._trialShown = "";
    const { change: said } = words.room;
    const unable = change.plan.left_out.filter((one) => one.unable);
    const partly = unable.length ? said.partly(change.plan.devices.length, new Set(unable.map((one) => one.device)).size) : "";
    const close = el("button", { type: "button", class: "secondary", onclick: () => this._show("", null) }, said.dismiss);
    if (change.state === "kept") {
      const plainly = change.kind === "recall" && !this._done;
      const result = this._done || (plainly && unable.length ? said.done.recallPartly : said.done[change.kind]) || said.done.other;
      const text = typeof result === "function" ? result(this._roomName) : result;
      say(`${text} ${partly}`);
      this._show(
        unable.length ? "abnormal" : "",
        el("h2", {}, mark(unable.length ? "away" : "right", text)),
        partly ? el("p", {}, partly) : null,
        this._boxes(change),
        change.plan.afterwards.map((one) => el("p", { class: "quiet" }, told(sentenceFor(this._context.session.role, one), 400))),
        unable.length ? next(said.nextDead) : null,
        close,
      );
      return;
    }
    const person = change.state === "needs a person";
    const culprits = Object.entries(change.culprits ?? {});
    // Nobody is to blame where a person stopped it: that is no failure.
    const undone = !person && culprits.every(([device]) => !device);
    const advice = person ? said.nextPerson : undone ? said.nextCancelled : said.nextFailed;
    this._show(
      person ? "danger" : undone ? "" : "abnormal",
      el("h2", {}, mark(person ? "person" : undone ? "alone" : "differs", said.states[undone ? "undone" : change.state] ?? plain(change.state))),
      culprits.length ? el("ul", { class: "points" }, culprits.map(([device, why]) => el("li", {}, device ? [told(device), ": "] : null, told(why, 300)))) : null,
      this._boxes(change),
      next(advice),
      close,
    );
  }
}

function next(text) {
  return el("div", {}, el("h3", {}, words.room.change.next), el("p", {}, text));
}

function boxState(change, step, outcome) {
  const { change: said } = words.room;
  if (outcome && said.outcome[outcome.word] && (change.ended || change.state === "on trial")) {
    const state = { kept: "right", "on trial": "waits", "needs a person": "person" }[outcome.word] ?? "alone";
    return mark(state, said.outcome[outcome.word], outcome.words ? [": ", told(outcome.words, 300)] : null);
  }
  return mark("busy", step ? (said.device[step] ?? told(step, 60)) : said.device.waiting);
}

/** What each device was last asked or told, by the change's story. */
function lastSteps(story) {
  const found = new Map();
  for (const entry of story) if (entry.device) found.set(entry.device, entry.what);
  return found;
}

function minutes(seconds) {
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}
