// One walk as it goes on: asks the daemon where it is, shows that, and sends what is pressed. Whatever happens to this
// screen or its network, what the daemon says is what is shown next.

import { at } from "../api.js";
import { el, fill, plain, say } from "../dom.js";
import { words } from "../words.js";
import { Awake } from "./awake.js";
import { Countdown } from "./countdown.js";
import { showEnding } from "./ending.js";
import { dropDraft, screenMark } from "./kept.js";
import { showFailed, showOther } from "./other.js";
import { TestCard } from "./test.js";

const LOOK_MS = 4_000;
const AGAIN_MS = 1_500;

/** Draw `/walk/WALK`. */
export async function showWalk(main, id, context) {
  const walk = new Leading(main, id, context);
  await walk.open();
}

class Leading {
  constructor(main, id, context) {
    this._main = main;
    this._path = at("walks", id);
    this._context = context;
    this._screen = screenMark();
    this._walk = null;
    this._drawn = "";
    this._card = null;
    this._busy = false;
    this._trouble = null;
    this._timer = 0;
    this._places = new Map();
    this._countdown = new Countdown(() => this._look());
    this._awake = new Awake(context.signal);
    this._away = el("div", { class: "walk-away", role: "alert" });
    this._said = el("div", { class: "said", role: "alert" });
    this._place = el("div", { class: "walk" });
  }

  async open() {
    const { signal, live, api } = this._context;
    this._take(await api.get(this._path, { signal }));
    fill(this._main, this._away, this._place, this._said);
    await this._draw();
    const look = () => document.visibilityState === "visible" && this._look();
    for (const [target, name] of [[document, "visibilitychange"], [window, "online"], [window, "pageshow"]]) target.addEventListener(name, look, { signal });
    window.addEventListener("offline", () => this._lost(), { signal });
    live.listen(({ kind, data }) => {
      if (kind === "gap" || (kind === "change" && data.change?.rooms?.includes(this._walk.room))) this._look();
    }, signal);
    signal.addEventListener("abort", () => {
      clearTimeout(this._timer);
      this._countdown.stop();
      delete document.body.dataset.walking;
    });
    this._later(LOOK_MS);
    if (this.leads && !this._walk.has_ended && this._walk.steps === 0) await this.go("next");
  }

  get leads() {
    return this._walk.screen === this._screen;
  }

  /** Go somewhere: answers first, where there are any. */
  async go(move, { why = "", answers = null } = {}) {
    const position = this._walk.now?.position;
    await this._send(words.walk.test.working, async () => {
      if (answers) this._walk = await this._post("answers", { position, answers });
      if (move !== "repeat") dropDraft();
      return this._post("step", { move, why, seen_steps: this._walk.steps });
    });
  }

  async pause() {
    await this._send(words.walk.test.pausing, () => this._post("end", {}, false));
  }

  /** Go on with a walk that was paused, or that another screen leads. */
  async takeOver() {
    const { api } = this._context;
    await this._send(words.walk.test.working, async () => {
      this._walk = await api.post("/walks", { room: this._walk.room, go_on: true, screen: this._screen });
      return this._post("step", { move: "next", seen_steps: this._walk.steps });
    });
  }

  /** Where a position is, from its own page; nothing where that cannot be had. */
  async placeOf(position) {
    if (!this._places.has(position)) {
      const { api, signal } = this._context;
      const asked = api.get(at("rooms", this._walk.room, "positions", position), { signal }).catch(() => null);
      this._places.set(position, asked);
      if ((await asked) === null) this._places.delete(position);
    }
    return this._places.get(position) ?? null;
  }

  async _post(what, body, marked = true) {
    return this._context.api.post(`${this._path}/${what}`, marked ? { ...body, screen: this._screen } : body);
  }

  async _send(saying, work) {
    if (this._busy) return;
    this._busy = true;
    this._trouble = null;
    this._tell(saying);
    this._card?.busy(saying);
    try {
      this._take(await work());
    } catch (problem) {
      if (this._context.signal.aborted) return;
      this._trouble = problem.status === 0 ? null : problem;
      if (problem.status === 0) this._lost();
      // What was asked for may have been done all the same: the walk says where it is.
      await this._read();
    } finally {
      this._busy = false;
      this._card?.busy("");
    }
    if (!this._context.signal.aborted) await this._draw(true);
  }

  async _look() {
    if (this._busy) return;
    await this._read();
    if (!this._context.signal.aborted && !this._busy) await this._draw();
  }

  async _read() {
    const { api, signal } = this._context;
    clearTimeout(this._timer);
    try {
      const found = await api.get(this._path, { signal });
      this._found();
      this._take(found);
      this._later(LOOK_MS);
    } catch (problem) {
      if (signal.aborted) return;
      if (problem.status === 0) this._lost();
      this._later(AGAIN_MS);
    }
  }

  _later(wait) {
    clearTimeout(this._timer);
    if (!this._walk.has_ended || !this._walk.all_back) this._timer = setTimeout(() => this._look(), wait);
  }

  _take(walk) {
    this._walk = walk;
    this._countdown.set(walk.goes_back_in_s);
  }

  _lost() {
    if (this._away.hasChildNodes()) return;
    fill(this._away, el("p", { class: "panel abnormal" }, el("strong", {}, `${words.walk.away.title}. `), words.walk.away.words));
  }

  _found() {
    if (!this._away.hasChildNodes()) return;
    fill(this._away);
    say(words.walk.away.again);
  }

  _tell(text) {
    if (text) say(text);
  }

  /** Draw what the walk is, where that is not what stands there already. */
  async _draw(anew = false) {
    const walk = this._walk;
    const kind = walk.has_ended ? "ended" : !this.leads ? "other" : walk.now ? "test" : "failed";
    const key = kind === "test" ? `test ${walk.now.position} ${walk.now.at} ${walk.steps}` : JSON.stringify([kind, walk.state, walk.at, walk.now?.at, walk.led_by, walk.all_back, walk.heard.length]);
    if (key === this._drawn && !(anew && this._trouble)) {
      this._card?.trouble(this._trouble);
      return;
    }
    const another = key !== this._drawn;
    this._drawn = key;
    this._card = null;
    const going = kind === "test" || kind === "failed";
    document.body.dataset.walking = going ? "yes" : "no";
    this._awake.keep(going);
    this._context.title(walk.now ? plain(walk.now.position, 60) : words.walk.title);
    if (kind === "test") {
      this._card = new TestCard(this, walk, this._countdown, this._awake);
      this._card.trouble(this._trouble);
      fill(this._place, this._card.node);
      const number = walk.positions.indexOf(walk.now.position) + 1;
      if (another) this._tell(words.walk.test.now(plain(walk.now.position, 60), number, walk.positions.length));
    } else {
      const show = { ended: showEnding, other: showOther, failed: showFailed }[kind];
      show(this._place, this, walk, { ...this._context, trouble: this._trouble });
    }
    if (another && document.activeElement === document.body) this._focus();
    if (another) window.scrollTo(0, 0);
  }

  _focus() {
    const heading = this._place.querySelector("h1");
    heading?.setAttribute("tabindex", "-1");
    heading?.focus({ preventScroll: true });
  }
}
