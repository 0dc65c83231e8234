// Two snapshots, compared by meaning: what is another in the second one.

import { at } from "../api.js";
import { el, fill, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock, words } from "../words.js";
import { differenceNode } from "./differences.js";
import { facts, part } from "./facts.js";
import { table } from "./table.js";

const said = words.snapshots;

/** Show how the second snapshot differs from the first. */
export async function showCompared(main, first, second, all, context) {
  const { api, signal, zone } = context;
  const [found, one, other] = await Promise.all([
    api.get(`/snapshots${at(first, "against", second)}`, { signal }),
    api.get(`/snapshots${at(first)}`, { signal }),
    api.get(`/snapshots${at(second)}`, { signal }),
  ]);
  const shown = found.differences.filter((difference) => all || difference.agreed || difference.grade !== "slight");
  const also = el("input", { type: "checkbox", checked: all });
  also.addEventListener("change", () => context.go(`/snapshots${at(first, "against", second)}${also.checked ? "?all=1" : ""}`));
  context.title(said.compared);
  fill(
    main,
    el("p", { class: "trail" }, el("a", { href: "/snapshots" }, said.title)),
    el(
      "div",
      { class: "head" },
      el("h1", {}, said.compared),
      el("p", { class: "lead" }, shown.length ? mark("differs", said.counts(shown.length)) : mark("right", said.same)),
      facts([
        [said.first, snapshotLink(one, zone)],
        [said.second, snapshotLink(other, zone)],
      ]),
      el("label", { class: "tick" }, also, el("span", {}, said.all)),
    ),
    shown.length ? differencesOf(shown) : null,
    found.not_checked.length
      ? part(said.missingIn, el("ul", {}, found.not_checked.map((row) => el("li", {}, mark("away", placeOf(row), ": ", told(row.words, 300))))))
      : null,
    part(said.notChecked, el("p", {}, said.neverChecked)),
  );
}

function differencesOf(rows) {
  const columns = said.comparedColumns;
  return table(
    said.comparedCaption,
    [
      { name: columns.where, head: true, cell: placeOf },
      { name: columns.what, cell: differenceNode },
      { name: columns.first, cell: (row) => told(row.wanted, 300) },
      { name: columns.second, cell: (row) => told(row.found, 300) },
    ],
    rows,
    { shown: false },
  );
}

function placeOf(row) {
  const place = [row.room, row.position].filter(Boolean).join("/");
  return place && row.device && place !== row.device ? [told(place), " (", told(row.device, 64), ")"] : told(place || row.device, 64);
}

function snapshotLink(snapshot, zone) {
  return [
    el("a", { href: `/snapshots${at(snapshot.id)}` }, clock(snapshot.body.at, zone)),
    ", ",
    told(snapshot.body.taken_by, 100),
    snapshot.body.note ? [": ", told(snapshot.body.note, 200)] : null,
  ];
}
