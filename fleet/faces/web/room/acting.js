// What an operator does in a room: each is a plan first, then a change by that plan's digest and no other. So a second
// tap, or a second browser, can begin nothing twice: its plan has moved by then, or its boxes are held.

import { at, Problem, problemWords } from "../api.js";
import { mark } from "../marks.js";
import { el, fill, say } from "../dom.js";
import { words } from "../words.js";
import { ask } from "./asking.js";

const TRIAL_S = 120;
/** What an integrator lifts by saying yes to the plan that names it. An operator lifts nothing. */
const LIFTED_BY_YES = ["rise", "half-room", "many-devices", "unmanaged", "live-click", "guest"];

export class Acting {
  /** `wrong` is where refusals are told, `following` shows what was begun, `changed` is called when busy or not. */
  constructor(context, room, { wrong, following, changed }) {
    this._context = context;
    this._room = room;
    this._wrong = wrong;
    this._following = following;
    this._changed = changed;
    /** True from the tap until what it began is known to run, or not to. */
    this.busy = false;
  }

  /** Plan, ask, begin, and follow. `title` and `yes` are the question's words, `done` the result's. */
  confirmed(asked, { title, yes, done, mayTry = true }) {
    return this._once(async () => {
      let moved = false;
      for (;;) {
        say(words.room.looking);
        const plan = await this._context.api.post("/plans", asked, { signal: this._context.signal });
        const lifts = this._context.session.role === "integrator" ? LIFTED_BY_YES : [];
        const answer = await ask(plan, { title, yes, lifts, mayTry, moved, signal: this._context.signal });
        if (!answer) return;
        const begun = await this._begin(asked, plan, { answer, lifts, done });
        if (begun) return;
        moved = true;
      }
    });
  }

  /** Plan, begin and follow, without a question: for what stays inside of what the integrator allowed. */
  atOnce(asked, { done }) {
    return this._once(async () => {
      for (let tries = 0; tries < 2; tries += 1) {
        const plan = await this._context.api.post("/plans", asked, { signal: this._context.signal });
        if (plan.guards.length) return this._refuse(plan.guards.map((guard) => guard.words).join("; "), words.room.plan.ask);
        if (plan.empty) {
          say(words.room.change.nothing);
          return;
        }
        if (await this._begin(asked, plan, { answer: "yes", lifts: [], done })) return;
      }
    });
  }

  /** Begin the plan that was shown; false where it has moved meanwhile. */
  async _begin(asked, plan, { answer, lifts, done }) {
    const allow = [...new Set(plan.guards.map((guard) => guard.guard))].filter((guard) => lifts.includes(guard));
    const body = { ...asked, digest: plan.digest, who: this._context.session.name };
    if (plan.until) body.until = plan.until;
    if (allow.length) body.allow = allow;
    if (answer === "try") body.keep_within_s = TRIAL_S;
    try {
      const change = await this._context.api.post("/changes", body);
      this._follow(change.id, { mine: true, done });
      return true;
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      if (problem.kind === "Moved") {
        // Another one was quicker: what they began is shown. Otherwise the boxes moved, and the plan is made anew.
        return this._followOthers();
      }
      // No answer: it may have begun all the same. Held: somebody else's change runs. Both are looked for, not repeated.
      if ((problem.status === 0 || problem.status === 409) && (await this._followOthers())) return true;
      throw problem;
    }
  }

  async _followOthers() {
    const room = await this._context.api.get(`/rooms${at(this._room)}`);
    const [running] = room.in_progress;
    if (!running) return false;
    this._follow(running.id, { mine: false });
    return true;
  }

  _follow(id, how) {
    this._following.follow(id, how).catch((problem) => this._tell(problem));
  }

  async _once(work) {
    if (this.busy || this._following.change) return;
    this.busy = true;
    this._refuse("");
    this._following.clear();
    this._changed();
    try {
      await work();
    } catch (problem) {
      this._tell(problem);
    } finally {
      this.busy = false;
      this._changed();
    }
  }

  _tell(problem) {
    if (this._context.signal.aborted) return;
    if (!(problem instanceof Problem)) console.error(problem);
    this._refuse(problemWords(problem, this._context.session.role));
  }

  _refuse(text, remedy = "") {
    fill(this._wrong, text ? el("p", {}, mark("person", text, remedy ? ` ${remedy}` : "")) : null);
  }
}
