// The time after which everything goes back by itself. It is the daemon's and the devices'; this only shows it.

import { el, say } from "../dom.js";
import { words } from "../words.js";

const SPOKEN_S = [60, 15];

export class Countdown {
  /** `over` is told once the time has come. */
  constructor(over) {
    this._over = over;
    this._until = null;
    this._timer = 0;
    this._before = Infinity;
    this.node = el("p", { class: "walk-countdown", role: "timer", "aria-live": "off" });
  }

  /** So many seconds are left from now on; none where nothing is under test. */
  set(seconds) {
    this.stop();
    this._until = seconds === null ? null : Date.now() + 1_000 * seconds;
    if (this._until === null) return;
    this._before = seconds;
    this._tick();
    this._timer = setInterval(() => this._tick(), 500);
  }

  stop() {
    clearInterval(this._timer);
  }

  _tick() {
    const left = Math.max(0, Math.round((this._until - Date.now()) / 1_000));
    this.node.textContent = left > 0 ? words.walk.test.back(minutes(left)) : words.walk.test.overdue;
    this.node.classList.toggle("soon", left <= SPOKEN_S[0]);
    if (SPOKEN_S.some((at) => left <= at && this._before > at)) say(words.walk.test.backSoon(left));
    if (left === 0 && this._before > 0) {
      this.stop();
      setTimeout(this._over, 500);
    }
    this._before = left;
  }
}

function minutes(seconds) {
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}
