// Tables that become lists on a narrow screen, where each cell has its column's name before it. Roles are said
// outright: browsers forget them where a table is no longer laid out as one.

import { el, fill } from "../dom.js";

/**
 * A table of rows that may be given anew: what stays the same stays where it is, and so does the focus.
 *
 * `columns`: `{name, cell(row)}`, with `head` for the one that names its row, `quiet` where its name is not shown, and
 * `narrow` where there is only something to press in it.
 * `key(row)` is what a row keeps when its words change.
 */
export class Table {
  constructor(caption, columns, key, { shown = true, none = "" } = {}) {
    this._columns = columns;
    this._key = key;
    this._rows = new Map();
    this._none = el("p", { class: "quiet", hidden: true }, none);
    this._body = el("tbody", { role: "rowgroup" });
    this._table = el(
      "table",
      { class: "fold", role: "table" },
      el("caption", { class: shown ? null : "unseen" }, caption),
      el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, columns.map(heading))),
      this._body,
    );
    this.node = el("div", { class: "fold-around" }, this._table, this._none);
  }

  /** Show these rows, in this order. */
  show(rows) {
    const known = this._rows;
    this._rows = new Map();
    const focused = this._focused(known);
    for (const row of rows) {
      const key = this._key(row);
      const text = JSON.stringify(row);
      const before = known.get(key);
      this._rows.set(key, before?.text === text ? before : { text, node: this._row(row) });
    }
    const nodes = [...this._rows.values()].map((one) => one.node);
    const standing = [...this._body.children];
    if (nodes.length !== standing.length || nodes.some((node, index) => node !== standing[index])) fill(this._body, nodes);
    this._table.hidden = rows.length === 0;
    this._none.hidden = rows.length > 0;
    if (focused) controls(this._rows.get(focused.key)?.node)[focused.place]?.focus({ preventScroll: true });
    return this;
  }

  _focused(known) {
    for (const [key, { node }] of known) {
      if (node.contains(document.activeElement)) return { key, place: controls(node).indexOf(document.activeElement) };
    }
    return null;
  }

  _row(row) {
    return el("tr", { role: "row" }, this._columns.map((column) => cell(column, row)));
  }
}

/** A table whose rows stay as they are. */
export function table(caption, columns, rows, options = {}) {
  let number = 0;
  return new Table(caption, columns, () => number++, options).show(rows).node;
}

function heading(column) {
  const name = column.quiet ? el("span", { class: "unseen" }, column.name) : column.name;
  return el("th", { scope: "col", role: "columnheader", class: column.narrow ? "narrow" : null }, name);
}

function cell(column, row) {
  const held = column.cell(row);
  const empty = held === null || held === undefined || held === "" || (Array.isArray(held) && held.length === 0);
  const attributes = { "data-name": column.quiet ? null : column.name, class: empty ? "empty" : column.narrow ? "narrow" : null };
  if (column.head) return el("th", { scope: "row", role: "rowheader", ...attributes }, held);
  return el("td", { role: "cell", ...attributes }, held);
}

function controls(node) {
  return node ? [...node.querySelectorAll("a[href], button, input, select, summary")] : [];
}
