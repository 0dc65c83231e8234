// The audit log: what was done, newest first, and whether all of it is as it was written.

import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { moment, Said, sentences } from "./facts.js";
import { Pages } from "./pages.js";
import { Table } from "./table.js";

const said = words.access;

/** The log, of one caller where `who` names them. */
export async function auditNodes(who, context) {
  const { api, signal, zone } = context;
  const columns = said.auditColumns;
  const list = new Table(
    said.auditCaption,
    [
      { name: columns.number, cell: (row) => String(row.number) },
      { name: columns.at, cell: (row) => moment(row.at, zone) },
      { name: columns.who, cell: (row) => [told(row.who, 100), el("div", { class: "quiet small" }, told(row.role, 60), row.source && row.source !== row.role ? [` ${said.from} `, told(row.source, 100)] : null)] },
      { name: columns.what, head: true, cell: whatOf },
      { name: columns.about, cell: (row) => (row.about ? told(row.about, 200) : null) },
      { name: columns.result, cell: (row) => (row.result.startsWith("done") ? told(row.result, 300) : mark("differs", told(row.result, 300))) },
    ],
    (row) => row.number,
    { shown: false, none: said.auditNone },
  );
  const pages = new Pages(api, "/audit", "entries", { query: who ? { who } : {}, signal, show: (rows) => list.show(rows) });
  await pages.begin();
  return [el("p", { class: "quiet" }, said.auditHint), followNodes(context), filterNodes(who, context), list.node, pages.node];
}

/** What was done in words; where none are known, as it stands in the log. */
function whatOf(row) {
  const [act, kind] = splitAct(row.what);
  const known = said.acts[act];
  const name = kind ? ` (${words.room.change.title[kind] ?? plain(kind)})` : "";
  return [known ? `${known}${name}` : told(row.what, 200), row.why ? el("div", { class: "quiet small" }, said.why, " ", told(row.why, 300)) : null];
}

/** `POST /v1/changes apply` is an act and the kind that it was about. */
function splitAct(what) {
  if (Object.hasOwn(said.acts, what)) return [what, ""];
  const cut = what.lastIndexOf(" ");
  return [what.slice(0, cut), what.slice(cut + 1)];
}

function filterNodes(who, context) {
  const input = el("input", { id: "audit-who", value: plain(who, 100), maxlength: "100", autocomplete: "off" });
  const form = el(
    "form",
    { class: "filters", role: "search" },
    el("div", { class: "field" }, el("label", { for: "audit-who" }, said.filterWho), input),
    el("button", { type: "submit" }, said.filterShow),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const name = input.value.trim();
    context.go(`/access${name ? `?who=${encodeURIComponent(name)}` : ""}#audit`);
  });
  return form;
}

function followNodes(context) {
  const wrong = new Said(context.session.role);
  const result = el("div", { "aria-live": "polite" });
  const button = el("button", { type: "button" }, said.follow);
  button.addEventListener("click", async () => {
    button.disabled = true;
    wrong.clear();
    say(said.following);
    try {
      fill(result, followedNodes(await context.api.get("/audit/verify", { signal: context.signal })));
    } catch (problem) {
      if (!context.signal.aborted) wrong.problem(problem);
    }
    button.disabled = false;
  });
  return el("div", { class: "asking" }, el("div", { class: "buttons" }, button), wrong.node, result);
}

function followedNodes(followed) {
  return el(
    "section",
    { class: `panel ${followed.right ? "" : "danger"}` },
    el("p", {}, followed.right ? mark("right", said.right(followed.length)) : mark("person", said.wrong, " ", told(followed.fault, 500))),
    el("p", { class: "small" }, said.head, " ", el("code", { class: "hash" }, `${followed.length}:${plain(followed.sha256, 64)}`)),
    followed.held_against.length ? [el("h3", {}, said.heldAgainst), sentences(followed.held_against)] : null,
  );
}
