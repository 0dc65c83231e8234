// What happens, as it happens. The browser comes back by itself and asks for what it missed; where that cannot be
// (the daemon started anew, or somebody signed in again), listeners are told `gap`: look at the whole again.

const KINDS = ["begin", "gap", "notice", "drift", "room", "change", "device", "link"];
const AGAIN_MS = [500, 1_000, 2_000, 5_000, 10_000];
const CHECK_MS = 15_000;

export class Live {
  /** `alive` is asked from time to time whether the daemon still answers: an open line may be a dead one. */
  constructor(alive) {
    this._alive = alive;
    this._listeners = new Set();
    this._source = null;
    this._timer = 0;
    this._checking = 0;
    this._tries = 0;
    this._heard = Date.now();
    this._lost = false;
    /** When it was last live; null while it is. */
    this.since = null;
    window.addEventListener("offline", () => this._down());
    window.addEventListener("online", () => this._source && this._reopen());
  }

  /** Be told of events as `{kind, data}`, until the signal; `state` tells that `since` is another. */
  listen(listener, signal) {
    this._listeners.add(listener);
    signal?.addEventListener("abort", () => this._listeners.delete(listener));
  }

  start() {
    if (this._source) return;
    this._open();
    this._checking = setInterval(() => this._check(), CHECK_MS);
  }

  stop() {
    clearTimeout(this._timer);
    clearInterval(this._checking);
    this._source?.close();
    this._source = null;
    this._lost = false;
    this._tries = 0;
    this._tell("state", {});
  }

  _open() {
    const source = new EventSource("/v1/events");
    this._source = source;
    for (const kind of KINDS) source.addEventListener(kind, (event) => this._take(kind, event));
    source.onerror = () => {
      if (source !== this._source) return;
      this._down();
      // A browser that was refused gives up: then it is for us to come again, as somebody new.
      if (source.readyState === EventSource.CLOSED) this._later();
    };
  }

  _take(kind, event) {
    let data;
    try {
      data = JSON.parse(event.data);
    } catch {
      return;
    }
    this._heard = Date.now();
    this._tries = 0;
    if (this.since !== null) {
      this.since = null;
      this._tell("state", {});
    }
    const anew = kind === "begin" && this._lost;
    this._lost = false;
    this._tell(anew ? "gap" : kind, data);
  }

  _down() {
    if (this.since !== null) return;
    this.since = new Date();
    this._tell("state", {});
  }

  _later() {
    clearTimeout(this._timer);
    const wait = AGAIN_MS[Math.min(this._tries++, AGAIN_MS.length - 1)];
    this._timer = setTimeout(() => this._comeBack(), wait);
  }

  /** Go on where the daemon answers: one that does not is asked again, and who is signed out is told so by `alive`. */
  async _comeBack() {
    const alive = await this._alive();
    if (!this._source) return;
    if (alive) this._reopen();
    else this._later();
  }

  _reopen() {
    clearTimeout(this._timer);
    this._source?.close();
    this._lost = true;
    this._open();
  }

  async _check() {
    if (this.since !== null || Date.now() - this._heard < CHECK_MS) return;
    if (!(await this._alive())) this._down();
    else this._heard = Date.now();
    if (this.since !== null && this._source?.readyState === EventSource.OPEN) this._later();
  }

  _tell(kind, data) {
    for (const listener of [...this._listeners]) listener({ kind, data });
  }
}
