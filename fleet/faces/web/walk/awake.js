// The screen stays on while a walk is led from here, where the browser can see to that; where not, it is said.
// (W3C Screen Wake Lock: a browser lets go by itself when the page is hidden, and refuses on a low battery.)

import { el } from "../dom.js";
import { words } from "../words.js";

export class Awake {
  constructor(signal) {
    this._signal = signal;
    this._wanted = false;
    this._lock = null;
    this._asking = false;
    /** Says that the screen may go dark; hidden while it is kept on. */
    this.node = el("p", { class: "quiet small", hidden: true }, words.walk.test.mayGoDark);
    document.addEventListener("visibilitychange", () => this._settle(), { signal });
    signal.addEventListener("abort", () => this.keep(false));
  }

  /** Whether the screen is to stay on from now on. */
  keep(wanted) {
    this._wanted = wanted;
    this._settle();
  }

  async _settle() {
    if (!this._wanted) return this._letGo();
    if (this._lock || this._asking || document.visibilityState !== "visible") return;
    this._asking = true;
    try {
      const lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => this._lock === lock && this._released());
      this._lock = lock;
    } catch {
      // there is none here, or it was refused
    }
    this._asking = false;
    this.node.hidden = this._lock !== null;
    if (!this._wanted) this._letGo();
  }

  _released() {
    this._lock = null;
    this.node.hidden = document.visibilityState !== "visible";
  }

  _letGo() {
    const lock = this._lock;
    this._lock = null;
    this.node.hidden = true;
    lock?.release().catch(() => {});
  }
}
