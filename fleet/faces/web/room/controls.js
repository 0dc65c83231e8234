// What an operator can press in a room: the recall, its modes, louder and softer, mute. Whatever cannot be pressed
// says why, and stays where it can be found.

import { el, fill, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { decibels, figure, words } from "../words.js";

const STEP_DB = 2;
const NEAR_DB = 0.01;
const HOUSE = "house";

export class Controls {
  constructor(acting) {
    this._acting = acting;
    this._recall = el("button", { type: "button", class: "primary big" }, words.room.recall);
    this._recallWhy = el("p", { class: "quiet small", id: "recall-why" });
    this._recall.setAttribute("aria-describedby", "recall-why");
    this._modes = el("div", { class: "buttons" });
    this._modesPart = el("section", { class: "part" }, el("h2", {}, words.room.modes.title), this._modes);
    this._now = el("p", { class: "level-now" });
    this._range = el("p", { class: "quiet small" });
    this._why = el("div", { class: "reasons", id: "level-why" });
    this._softer = el("button", { type: "button", "aria-describedby": "level-why" });
    this._louder = el("button", { type: "button", "aria-describedby": "level-why" });
    this._levelButtons = el("div", { class: "buttons" }, this._softer, this._louder);
    this._level = el("section", { class: "part" }, el("h2", {}, words.room.level.title), this._now, this._levelButtons, this._range, this._why);
    this._mute = el("button", { type: "button" });
    this._muted = el("div", {});
    this._mutePart = el("section", { class: "part" }, el("h2", {}, words.room.mute.title), this._muted, this._mute, el("p", { class: "quiet small" }, words.room.mute.hint));
    this._modeButtons = new Map();
    this._press = new Map();
    for (const button of [this._recall, this._softer, this._louder, this._mute]) {
      button.addEventListener("click", () => button.getAttribute("aria-disabled") !== "true" && this._press.get(button)?.());
    }
    /** Where they are drawn. */
    this.node = el("div", { class: "doing" }, el("section", { class: "part" }, this._recall, this._recallWhy), this._level, this._mutePart, this._modesPart);
  }

  /** Draw what can be pressed, by the room's document and its levels. `whyNot` says why nothing can be. */
  draw(room, levels, whyNot) {
    const busy = whyNot !== "";
    this._whyNot = whyNot;
    this._drawRecall(room, busy);
    this._drawModes(room, busy);
    this._drawLevel(room, levels, busy);
    this._drawMute(room, busy);
  }

  _drawRecall(room, busy) {
    const there = Boolean(room.house_curve);
    const why = busy ? this._whyNot : there ? words.room.recallHint : words.room.noCurve;
    this._set(this._recall, !busy && there, () =>
      this._acting.confirmed(
        { kind: "recall", room: room.room },
        { title: words.room.plan.title(plain(room.name, 60)), yes: words.room.plan.yes },
      ),
    );
    this._recallWhy.textContent = why;
  }

  _drawModes(room, busy) {
    this._modesPart.hidden = room.modes.length === 0;
    const modes = room.modes.length ? [{ mode: HOUSE, name: words.room.modes.house, together_with: {} }, ...room.modes] : [];
    for (const [name, button] of this._modeButtons) {
      if (!modes.some((one) => one.mode === name)) {
        button.remove();
        this._modeButtons.delete(name);
      }
    }
    for (const one of modes) {
      const button = this._modeButtons.get(one.mode) ?? this._newMode(one.mode);
      const title = one.name || one.mode;
      const now = room.mode === one.mode;
      const along = Object.keys(one.together_with).map((name) => plain(name, 40)).join(", ");
      fill(button, el("span", {}, told(title, 40), now ? ` · ${words.room.modes.now}` : "", along ? el("span", { class: "quiet small" }, ` ${words.room.modes.along(along)}`) : null));
      button.setAttribute("aria-pressed", String(now));
      this._set(button, !busy, () =>
        this._acting.confirmed(
          { kind: "recall", room: room.room, mode: one.mode },
          {
            title: words.room.plan.modeTitle(plain(room.name, 60), plain(title, 40)),
            yes: words.room.plan.yesMode(plain(title, 40)),
            done: (name) => words.room.change.done.mode(name, plain(title, 40)),
          },
        ),
      );
    }
  }

  _newMode(name) {
    const button = el("button", { type: "button", "aria-pressed": "false" });
    button.addEventListener("click", () => button.getAttribute("aria-disabled") !== "true" && this._press.get(button)?.());
    this._modeButtons.set(name, button);
    this._modes.append(button);
    return button;
  }

  _drawLevel(room, levels, busy) {
    const { level: said } = words.room;
    const ranged = levels.filter((one) => one.range_db !== null);
    const known = ranged.filter((one) => one.level_db !== null && !one.away);
    const any = known.length > 0;
    this._levelButtons.hidden = this._range.hidden = !any;
    if (!any) {
      fill(this._now, ranged.length ? said.notRead : said.fixed);
      fill(this._why);
      return;
    }
    const low = Math.min(...known.map((one) => one.level_db));
    const high = Math.max(...known.map((one) => one.level_db));
    fill(this._now, said.at(low === high ? decibels(low) : `${decibels(low)} to ${decibels(high)}`));
    const from = Math.max(...known.map((one) => one.range_db[0]));
    const to = Math.min(...known.map(topOf));
    const first = said.range(decibels(Math.min(from, to)), decibels(Math.max(from, to)));
    fill(this._range, ranged.length > 1 ? `${first} ${said.together(ranged.length)}` : first);
    const up = Math.min(...known.map((one) => topOf(one) - one.level_db));
    const down = Math.min(...known.map((one) => one.level_db - one.range_db[0]));
    const astray = known.find((one) => one.level_db < one.range_db[0] - NEAR_DB || one.level_db > one.range_db[1] + NEAR_DB);
    this._drawStep(this._louder, room, astray ? 0 : up, 1, busy);
    this._drawStep(this._softer, room, astray ? 0 : down, -1, busy);
    fill(this._why, (astray ? [said.astray(plain(astray.position, 60), decibels(astray.level_db))] : this._ends(known, up, down)).map((text) => el("p", {}, text)));
  }

  _drawStep(button, room, leeway_db, sign, busy) {
    const { level: said } = words.room;
    const step = Math.floor(Math.min(STEP_DB, leeway_db) * 2 + 1e-6) / 2;
    const possible = step > 0;
    const text = sign > 0 ? (possible ? said.louder(figure(step)) : said.loudest) : possible ? said.softer(figure(step)) : said.softest;
    if (button.textContent !== text) button.textContent = text;
    this._set(button, possible && !busy, () => this._acting.atOnce({ kind: "level", room: room.room, by_db: sign * step }, { done: words.room.change.done.level }));
  }

  /** Why a direction is at its end, in words. */
  _ends(known, up, down) {
    const { ends } = words.room.level;
    const said = [];
    if (up < 0.5) said.push(known.length > 1 ? named(ends.high, known.find((one) => topOf(one) - one.level_db < 0.5), ends) : ends.high);
    if (down < 0.5) said.push(known.length > 1 ? named(ends.low, known.find((one) => one.level_db - one.range_db[0] < 0.5), ends) : ends.low);
    return said;
  }

  _drawMute(room, busy) {
    const ours = (room.muted ?? []).length > 0;
    fill(this._muted, ours ? mark("muted", words.room.mute.muted) : null);
    this._mute.textContent = ours ? words.room.mute.undo : words.room.mute.mute;
    this._set(this._mute, !busy, () =>
      this._acting.atOnce({ kind: ours ? "unmute" : "mute", room: room.room }, { done: ours ? words.room.change.done.unmute : words.room.change.done.mute }),
    );
  }

  /** What cannot be pressed keeps its focus and its words for whoever does not see it. */
  _set(button, possible, press) {
    button.setAttribute("aria-disabled", String(!possible));
    this._press.set(button, press);
  }
}

function topOf(one) {
  return one.ceiling_db === null ? one.range_db[1] : Math.min(one.range_db[1], one.ceiling_db);
}

function named(text, one, ends) {
  return [text, " ", ends.first(plain(one.position, 60))];
}
