// Differences as tables: what differs at each position of a room, what was not checked, and notes.

import { at } from "../api.js";
import { el, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { moment } from "./facts.js";
import { table } from "./table.js";

const said = words.differences;
const ORDER = ["serious", "audible", "slight"];
const MARKS = { serious: "serious", audible: "differs", slight: "slight" };
const REASONS = { missing: "away", unreachable: "away", conflicting: "person", life_safety: "alone", unsuitable: "unknown" };

/** A table for each room. `chosen` is what may be chosen from; null where nothing may. */
export function differenceTables(found, { titles, chosen }) {
  return found.rooms.map((room) => {
    const rows = positionsOf(found.differences.filter((one) => one.room === room));
    const title = titles.get(room) ?? room;
    const away = found.not_checked.some((one) => one.room === room && one.reason !== "life_safety");
    return el(
      "section",
      { class: "part" },
      el("h2", {}, el("a", { href: `/rooms${at(room)}` }, told(title))),
      rows.length === 0 ? el("p", {}, away ? mark("away", said.notChecked) : mark("right", said.roomSame)) : null,
      rows.length && chosen ? wholeBox(room, title, chosen) : null,
      rows.length ? table(said.caption(plain(title)), columnsOf(chosen), rows, { shown: false }) : null,
    );
  });
}

/** What was not checked, and why. */
export function notCheckedTable(rows, titles, zone) {
  return table(
    said.notChecked,
    [
      { name: said.columns.position, head: true, cell: (row) => (row.position ? [told(titles.get(row.room) ?? row.room), ": ", told(row.position)] : told(row.device, 64)) },
      { name: said.columns.device, cell: (row) => deviceLink(row.device) },
      { name: said.columns.why, cell: (row) => [mark(REASONS[row.reason] ?? "unknown", said.reasons[row.reason] ?? plain(row.reason)), el("div", { class: "quiet small" }, told(row.words, 300))] },
      { name: said.columns.lastSeen, cell: (row) => moment(row.last_seen, zone) },
    ],
    rows,
    { shown: false },
  );
}

/** Notes: to know, and no differences. */
export function notesList(notes) {
  return el("ul", { class: "points" }, notes.map((note) => el("li", {}, told(note.position || note.device), ": ", told(note.words, 300))));
}

/** One difference in words, its grade first, and who agreed to it. */
export function differenceNode(one) {
  const grade = one.agreed ? "agreed" : one.grade;
  return [
    mark(one.agreed ? "agreed" : (MARKS[grade] ?? "unknown"), el("strong", {}, said.grades[grade] ?? plain(grade)), ": ", told(one.words, 300)),
    one.agreed
      ? el("div", { class: "quiet small" }, said.agreedBy(one.agreed.until), " ", told(one.agreed.owner, 100), ", ", said.agreedWhy, ": ", told(one.agreed.reason, 300))
      : null,
  ];
}

function columnsOf(chosen) {
  const columns = [
    { name: said.columns.position, head: true, cell: (row) => positionCell(row, chosen) },
    { name: said.columns.what, cell: whatOf },
    { name: said.columns.device, cell: (row) => deviceLink(row.device) },
  ];
  return chosen ? [{ name: said.columns.choose, quiet: true, narrow: true, cell: (row) => positionBox(row, chosen) }, ...columns] : columns;
}

function whatOf(row) {
  const sets = row.differences;
  return [
    el("ul", { class: "graded" }, sets.map((one) => el("li", {}, differenceNode(one)))),
    el(
      "details",
      { class: "small" },
      el("summary", { "aria-label": `${said.values}: ${plain(row.position)}` }, said.values),
      el("ul", { class: "points" }, sets.map((one) => el("li", {}, settingName(one.setting), ": ", said.wanted, " ", told(one.wanted, 300), ", ", said.found, " ", told(one.found, 300)))),
    ),
  ];
}

function settingName(setting) {
  return words.room.table.names[setting] ?? plain(setting);
}

/** A position; of a coherent set it is said with what it goes together. */
function positionCell(row, chosen) {
  const sets = chosen?.setsOf(row.room, row.position) ?? [];
  const why = sets.map((set) => said.together(plain(set))).join(" ");
  return [told(row.position), why ? el("span", { class: "quiet small set", id: setId(row) }, why) : null];
}

function positionBox(row, chosen) {
  const together = chosen.setsOf(row.room, row.position).length > 0;
  const box = el("input", { type: "checkbox", "aria-label": said.choosePosition(plain(row.position)), "aria-describedby": together ? setId(row) : null });
  box.addEventListener("change", () => chosen.choose(row.room, row.position, box.checked));
  const settle = () => (box.checked = chosen.has(row.room, row.position));
  chosen.listen(settle);
  settle();
  return el("label", { class: "tick alone" }, box);
}

function setId(row) {
  return `set-${at(row.room, row.position)}`;
}

function wholeBox(room, title, chosen) {
  const box = el("input", { type: "checkbox", "aria-label": `${said.whole}: ${plain(title)}` });
  box.addEventListener("change", () => chosen.chooseRoom(room, box.checked));
  const settle = () => {
    const state = chosen.ofRoom(room);
    box.checked = state === "all";
    box.indeterminate = state === "some";
  };
  chosen.listen(settle);
  settle();
  return el("label", { class: "tick" }, box, el("span", {}, said.whole));
}

function positionsOf(differences) {
  const rows = new Map();
  for (const one of differences) {
    const key = JSON.stringify([one.position, one.device]);
    if (!rows.has(key)) rows.set(key, { room: one.room, position: one.position, device: one.device, differences: [] });
    rows.get(key).differences.push(one);
  }
  const all = [...rows.values()];
  for (const row of all) row.differences.sort((a, b) => rank(a) - rank(b));
  return all.sort((a, b) => rank(a.differences[0]) - rank(b.differences[0]));
}

function rank(one) {
  return one.agreed ? ORDER.length : ORDER.indexOf(one.grade);
}

function deviceLink(device) {
  return device ? el("a", { href: `/devices${at(device)}` }, told(device, 64)) : null;
}
