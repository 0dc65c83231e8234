// Changes: the list of them, or one, or a round of them.

import { at } from "../api.js";
import { el, fill, told } from "../dom.js";
import { changeMark, changeWords, showChange, whyWords } from "../parts/change.js";
import { moment, sentences } from "../parts/facts.js";
import { Pages } from "../parts/pages.js";
import { showRound } from "../parts/round.js";
import { Table } from "../parts/table.js";
import { words } from "../words.js";

const said = words.changes;
const SOON_MS = 300;

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const [first, second] = route.parts;
  if (first === "rounds" && second) return showRound(main, second, context);
  if (first) return showChange(main, first, context);
  return showList(main, route.query.get("room") ?? "", context);
}

async function showList(main, room, context) {
  const { api, live, signal, zone } = context;
  const list = new Table(
    said.caption,
    [
      { name: said.columns.at, cell: (row) => moment(row.started_at, zone) },
      { name: said.columns.what, head: true, cell: (row) => el("a", { href: `/changes${at(row.id)}` }, changeWords(row)) },
      { name: said.columns.who, cell: (row) => told(row.who, 100) },
      { name: said.columns.why, cell: (row) => whyWords(row.why) },
      { name: said.columns.state, cell: (row) => changeMark(row.state) },
    ],
    (row) => row.id,
    { shown: false, none: said.none },
  );
  const pages = new Pages(api, "/changes", "changes", { query: room ? { room } : {}, signal, show: (rows) => list.show(rows) });
  const first = await pages.begin();
  const damaged = first.damaged ?? [];
  let timer = 0;

  context.title(said.title);
  fill(
    main,
    el("div", { class: "head" }, el("h1", {}, said.title), room ? el("p", { class: "lead" }, said.room, ": ", told(room)) : null),
    damaged.length ? el("div", { class: "panel abnormal" }, el("p", {}, said.damaged), sentences(damaged)) : null,
    list.node,
    pages.node,
  );
  live.listen(({ kind }) => {
    if (!["change", "gap"].includes(kind)) return;
    clearTimeout(timer);
    timer = setTimeout(() => pages.again().catch(() => {}), SOON_MS);
  }, signal);
  signal.addEventListener("abort", () => clearTimeout(timer));
}
