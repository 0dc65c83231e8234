// Snapshots: the list, one of them, two compared, and a file that somebody brings back.

import { at } from "../api.js";
import { el, fill, say, told } from "../dom.js";
import { showCompared } from "../parts/compared.js";
import { moment, part, Said } from "../parts/facts.js";
import { Pages } from "../parts/pages.js";
import { showSnapshot } from "../parts/snapshot.js";
import { Table } from "../parts/table.js";
import { verifyNodes } from "../parts/verify.js";
import { clock, words } from "../words.js";

const said = words.snapshots;

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const [first, between, second] = route.parts;
  if (first && between === "against" && second) return showCompared(main, first, second, route.query.get("all") === "1", context);
  if (first) return showSnapshot(main, first, context);
  return showList(main, route.query.get("changes") === "1", context);
}

async function showList(main, ofChanges, context) {
  const { api, signal, zone } = context;
  const chosen = [];
  let listed = [];
  const bar = el("div", { class: "bar" });
  const list = new Table(
    said.caption,
    [
      { name: said.columns.choose, quiet: true, narrow: true, cell: chooseBox },
      { name: said.columns.at, head: true, cell: (row) => el("a", { href: `/snapshots${at(row.id)}` }, moment(row.at, zone)) },
      { name: said.columns.how, cell: (row) => said.taken[row.taken] ?? told(row.taken) },
      { name: said.columns.by, cell: (row) => told(row.taken_by, 100) },
      { name: said.columns.note, cell: (row) => (row.note ? told(row.note, 300) : null) },
      { name: said.columns.devices, cell: (row) => String(row.devices) },
    ],
    (row) => row.id,
    { shown: false, none: said.none },
  );
  const pages = new Pages(api, "/snapshots", "snapshots", { query: ofChanges ? { of_changes: true } : {}, signal, show: (rows) => list.show((listed = rows)) });
  const also = el("input", { type: "checkbox", checked: ofChanges });
  also.addEventListener("change", () => context.go(`/snapshots${also.checked ? "?changes=1" : ""}`));

  context.title(said.title);
  await pages.begin();
  fill(
    main,
    el("div", { class: "head" }, el("h1", {}, said.title), el("p", { class: "lead" }, said.lead), el("p", {}, said.neverChecked)),
    takeNodes(),
    el("div", { class: "filters" }, el("label", { class: "tick" }, also, el("span", {}, said.ofChanges))),
    list.node,
    pages.node,
    bar,
    part(said.verify, verifyNodes(context)),
    part(said.audit, el("p", {}, el("a", { href: "/access#audit" }, said.toAudit))),
  );
  drawBar();

  function chooseBox(row) {
    const box = el("input", { type: "checkbox", "aria-label": said.choose(clock(row.at, zone)), checked: chosen.includes(row) });
    box.addEventListener("change", () => {
      const place = chosen.findIndex((one) => one.id === row.id);
      if (box.checked && place < 0) chosen.push(row);
      if (!box.checked && place >= 0) chosen.splice(place, 1);
      drawBar();
    });
    return el("label", { class: "tick alone" }, box);
  }

  /** The earlier of two comes first, whatever was chosen first; the list has the newest first. */
  function drawBar() {
    const [first, second] = [...chosen].sort((a, b) => listed.indexOf(b) - listed.indexOf(a));
    const button = el("button", { type: "button", class: "primary", disabled: chosen.length !== 2 }, said.compare);
    button.addEventListener("click", () => context.go(`/snapshots${at(first.id, "against", second.id)}`));
    fill(bar, el("p", { role: "status" }, chosen.length ? said.chosen(chosen.length) : said.compareHint), button);
  }

  function takeNodes() {
    const note = el("input", { id: "note", maxlength: "1000", autocomplete: "off" });
    const button = el("button", { type: "submit", class: "primary" }, said.take);
    const wrong = new Said(context.session.role);
    const form = el(
      "form",
      { class: "taking", novalidate: true },
      el("div", { class: "field" }, el("label", { for: "note" }, said.note), note),
      button,
      el("p", { class: "quiet small" }, said.takeHint),
      wrong.node,
    );
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (button.disabled) return;
      button.disabled = true;
      wrong.clear();
      say(said.taking);
      try {
        const taken = await api.post("/snapshots", { note: note.value.trim(), who: context.session.name });
        say(said.took);
        await context.go(`/snapshots${at(taken.id)}`);
      } catch (problem) {
        if (signal.aborted) return;
        wrong.problem(problem);
        button.disabled = false;
      }
    });
    return form;
  }
}
