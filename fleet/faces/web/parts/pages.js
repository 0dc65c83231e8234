// A list that comes in pages: the first is shown, and further ones where somebody wants them.

import { el } from "../dom.js";
import { words } from "../words.js";

/** `show(rows)` is given all that was read so far. `marker(rows, document)` names the place to go on from. */
export class Pages {
  constructor(api, path, member, { query = {}, signal, show, marker = (_rows, document) => document.next, name = "after" }) {
    this._api = api;
    this._path = path;
    this._member = member;
    this._query = query;
    this._signal = signal;
    this._show = show;
    this._marker = marker;
    this._name = name;
    this._rows = [];
    this._next = null;
    this._count = el("span", { class: "quiet small" });
    this._button = el("button", { type: "button", onclick: () => this.more() }, words.lists.more);
    this.node = el("div", { class: "pages", hidden: true }, this._button, this._count);
  }

  /** Read and show the first page. Gives its document. */
  async begin() {
    const document = await this._read({});
    this._rows = document[this._member];
    this._settle(document);
    return document;
  }

  /** Read again what is shown: something became another. Gives the last page's document. */
  async again() {
    const wanted = this._rows.length;
    let document = await this._read({});
    const rows = [...document[this._member]];
    let next = this._marker(rows, document);
    while (next && rows.length < wanted) {
      document = await this._read({ [this._name]: next });
      if (document[this._member].length === 0) break;
      rows.push(...document[this._member]);
      next = this._marker(rows, document);
    }
    this._rows = rows;
    this._settle(document);
    return document;
  }

  /** Show a further page. */
  async more() {
    if (!this._next || this._button.disabled) return;
    this._button.disabled = true;
    try {
      const document = await this._read({ [this._name]: this._next });
      this._rows = [...this._rows, ...document[this._member]];
      this._settle(document);
    } finally {
      this._button.disabled = false;
    }
  }

  _read(place) {
    return this._api.get(this._path, { query: { ...this._query, ...place }, signal: this._signal });
  }

  _settle(document) {
    this._next = this._marker(this._rows, document) ?? null;
    this.node.hidden = !this._next;
    this._count.textContent = words.lists.moreHint(this._rows.length);
    this._show(this._rows);
  }
}
