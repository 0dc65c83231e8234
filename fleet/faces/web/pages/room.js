// A room: whether it is as it should be, where its boxes are, and for an operator what there is to press.

import { at, sentence } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { Acting } from "../room/acting.js";
import { Controls } from "../room/controls.js";
import { Following } from "../room/following.js";
import { positionList, wantedTable } from "../room/lists.js";
import { drawPlan, planNotes } from "../room/plan.js";
import { clock, words } from "../words.js";

const SOON_MS = 250;
const NARROWEST = 280;
const WIDEST = 860;

/** Draw the page into `main`, and keep it as the daemon tells. */
export async function show(main, route, context) {
  const page = new RoomPage(main, route.parts[0], context);
  await page.begin();
}

class RoomPage {
  constructor(main, name, context) {
    this._main = main;
    this._name = name;
    this._context = context;
    this._timer = 0;
    this._room = null;
    this._levels = [];
    this._drawn = "";
    this._change = el("div", {});
    this._wrong = el("div", { class: "wrong", role: "alert" });
    this._head = el("div", { class: "facts" });
    this._lead = el("p", { class: "lead" });
    this._asOf = el("p", { class: "as-of small" });
    this._plan = el("div", { class: "plan-drawing" });
    this._planNotes = el("div", {});
    this._list = el("div", {});
    this._table = el("div", { class: "below" });
  }

  async begin() {
    const { context, signal } = { context: this._context, signal: this._context.signal };
    this._room = await context.api.get(`/rooms${at(this._name)}`, { signal });
    this._levels = (await context.api.get(`/rooms${at(this._name, "levels")}`, { signal })).levels;
    this._following = new Following(this._change, context, { roomName: plain(this._room.name, 60), ended: () => this._ended() });
    this._acting = new Acting(context, this._name, { wrong: this._wrong, following: this._following, changed: () => this._drawControls() });
    this._controls = context.session.role === "auditor" ? null : new Controls(this._acting);
    this._frame();
    this._draw();
    this._watch(signal);
    this._followRunning();
  }

  _frame() {
    const { title } = this._context;
    title(plain(this._room.name, 60));
    const where = el("section", { class: "part" }, el("h2", {}, words.room.plan2d.title), this._plan, this._planNotes);
    const list = el("section", { class: "part", id: "positions" }, el("h2", {}, words.room.list.title), this._list);
    // Who has nothing to press sees the plan beside the list.
    const columns = this._controls ? [this._controls.node, el("div", { class: "doing" }, where, list)] : [where, list];
    fill(
      this._main,
      el("p", { class: "trail" }, el("a", { href: "/rooms" }, `← ${words.shell.pages.rooms}`)),
      el("div", { class: "head" }, el("h1", {}, told(this._room.name)), this._lead, this._head, this._asOf),
      this._change,
      this._wrong,
      el("div", { class: "room-columns two" }, columns),
      this._context.session.role === "operator" ? null : this._table,
    );
  }

  _watch(signal) {
    this._context.live.listen(({ kind, data }) => {
      if (kind === "state") this._drawAsOf();
      else if (kind === "change" && data.change.rooms.includes(this._name)) this._changed(data.change);
      else if (kind !== "begin" && concerns(kind, data, this._name)) this._lookSoon();
    }, signal);
    const sized = new ResizeObserver(() => this._drawPlan());
    sized.observe(this._plan);
    signal.addEventListener("abort", () => {
      sized.disconnect();
      clearTimeout(this._timer);
    });
  }

  _changed(change) {
    if (!change.ended && !this._following.change && !this._acting.busy) this._follow(change);
    this._lookSoon();
  }

  _followRunning() {
    const [running] = this._room.in_progress;
    if (running && !this._following.change && !this._acting.busy) this._follow(running);
  }

  _follow(change) {
    const mine = change.who === this._context.session.name;
    this._following.follow(change.id, { mine }).catch(() => {});
    this._drawControls();
  }

  _ended() {
    this._drawControls();
    this._lookSoon();
  }

  _lookSoon() {
    clearTimeout(this._timer);
    this._timer = setTimeout(() => this._look().catch(() => {}), SOON_MS);
  }

  async _look() {
    const { api, signal } = this._context;
    const before = this._room;
    [this._room, { levels: this._levels }] = await Promise.all([
      api.get(`/rooms${at(this._name)}`, { signal }),
      api.get(`/rooms${at(this._name, "levels")}`, { signal }),
    ]);
    if (before.words !== this._room.words) say(plain(this._room.words, 300));
    this._draw();
    this._followRunning();
  }

  _draw() {
    const room = this._room;
    const { zone } = this._context;
    fill(this._lead, mark(room.state, told(sentence(room.words), 400)));
    fill(
      this._head,
      room.mode_words ? el("span", {}, told(room.mode_words, 200)) : null,
      room.hold ? mark("held", told(room.hold.words, 200)) : null,
      room.guest ? mark("guest", told(room.guest.words, 200)) : null,
    );
    this._drawAsOf();
    this._drawControls();
    // What was not changed is not drawn again: what is focused stays focused, and what is open stays open.
    const text = JSON.stringify(room.positions);
    if (text === this._drawn) return;
    this._drawn = text;
    this._keepingFocus(() => {
      this._drawPlan(true);
      fill(this._list, positionList(room, zone, this._list.querySelector("details")?.open));
      if (this._context.session.role !== "operator") this._drawTable();
    });
  }

  _drawControls() {
    this._controls?.draw(this._room, this._levels, this._whyNot());
  }

  /** Why nothing can be pressed now, in words; empty where it can. */
  _whyNot() {
    if (this._following.change) return words.room.busy;
    if (this._context.live.since !== null) return words.room.notLive;
    return this._acting.busy ? words.room.looking : "";
  }

  _drawAsOf() {
    const { since } = this._context.live;
    fill(this._asOf, since ? words.shell.asOf(clock(since, this._context.zone)) : null);
    this._drawControls();
  }

  _drawPlan(anew = false) {
    const width = Math.round(Math.min(WIDEST, Math.max(NARROWEST, this._plan.clientWidth)));
    if (!anew && width === this._width) return;
    this._width = width;
    if (!this._room.positions.some((position) => position.at_m)) {
      fill(this._plan, el("p", { class: "quiet" }, words.room.plan2d.none));
      return;
    }
    fill(this._planNotes, planNotes(this._room, drawPlan(this._plan, this._room, width)));
  }

  _drawTable() {
    fill(this._table, wantedTable(this._room));
  }

  _keepingFocus(draw) {
    const focused = document.activeElement;
    const inside = focused && [this._plan, this._list, this._table].find((node) => node.contains(focused));
    const href = inside ? focused.getAttribute("href") : null;
    draw();
    if (href) [...inside.querySelectorAll("a")].find((link) => link.getAttribute("href") === href)?.focus({ preventScroll: true });
  }
}

/** Whether an event may say something else of this room. */
function concerns(kind, data, room) {
  if (kind === "room") return data.room.room === room;
  if (kind === "device") return data.device.rooms.includes(room);
  if (kind === "drift") return (data.drift.rooms ?? [room]).includes(room);
  if (kind === "notice") return !data.notice.room || data.notice.room === room;
  return true;
}
