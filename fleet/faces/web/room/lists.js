// The positions of a room as a list, and for an integrator what is wanted beside what is reported.

import { at } from "../api.js";
import { el, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock, words } from "../words.js";

const MOST_RIGHT = 24;
const SETTINGS = ["slot", "level_db", "mute", "polarity", "delay_ms", "input"];
const FILTERS = ["eq", "high_pass", "low_pass"];

/** Every position with its state and why; what needs a look first comes first. Many that are right are folded away. */
export function positionList(room, zone, open = false) {
  const order = ["serious", "differs", "away", "silent", "muted", "agreed", "right", "alone"];
  const sorted = [...room.positions].sort((a, b) => order.indexOf(a.state) - order.indexOf(b.state) || (a.position < b.position ? -1 : 1));
  const right = sorted.filter((position) => position.state === "right" && position.drift.length === 0);
  const folded = right.length > MOST_RIGHT ? new Set(right) : new Set();
  const list = (positions) => el("ul", { class: "list" }, positions.map((position) => positionRow(room, position, zone)));
  const rest = sorted.filter((position) => !folded.has(position));
  return [
    rest.length ? list(rest) : null,
    folded.size ? el("details", { open }, el("summary", {}, mark("right", words.room.list.right(folded.size))), list(right)) : null,
  ];
}

function positionRow(room, position, zone) {
  const seen = position.last_seen ? words.room.lastSeen(clock(position.last_seen, zone)) : "";
  const why = position.state === "away" && position.missing_words ? [position.missing_words] : position.state_words;
  const drift = position.drift.filter((one) => one.kind !== "missing" && one.kind !== "unreachable").map((one) => one.since_words);
  const said = [...why, ...drift].map((text) => told(text, 300));
  if (seen && !why.some((text) => text.includes("last seen"))) said.push(seen);
  return el(
    "li",
    { "data-position": plain(position.position, 64) },
    el("a", { href: `/rooms${at(room.room, "positions", position.position)}` }, told(position.position)),
    mark(position.state),
    said.length ? el("p", { class: "why" }, said.map((one, index) => [index ? "; " : "", one])) : null,
  );
}

/** What is wanted and what is reported of each position, setting by setting; the filters in a word. */
export function wantedTable(room) {
  const { table: said } = words.room;
  const heads = [words.room.list.position, words.room.list.box, ...SETTINGS.map((name) => said.names[name]), said.filters];
  return el(
    "section",
    { class: "part", id: "wanted" },
    el("h2", { id: "wanted-title" }, said.title),
    el(
      "p",
      {},
      el("a", { href: `/differences?room=${encodeURIComponent(room.room)}` }, said.toDifferences),
      " · ",
      el("a", { href: `/changes?room=${encodeURIComponent(room.room)}` }, said.toChanges),
    ),
    el("p", { class: "quiet small" }, said.hint),
    el(
      "div",
      { class: "scroll", tabindex: "0", role: "region", "aria-labelledby": "wanted-title" },
      el(
        "table",
        {},
        el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
        el("tbody", {}, room.positions.map((position) => wantedRow(room, position))),
      ),
    ),
  );
}

function wantedRow(room, position) {
  const live = new Map(position.differences.filter((d) => d.subject === "live").map((d) => [d.setting, d]));
  const link = el("a", { href: `/rooms${at(room.room, "positions", position.position)}` }, told(position.position));
  const away = position.state === "away"; // its last cell says that it was not read, once
  return el(
    "tr",
    {},
    el("th", { scope: "row", class: "named-row" }, link),
    el("td", { class: "whole" }, told(position.device), position.output === 1 ? null : `/${position.output}`),
    SETTINGS.map((name) => el("td", {}, away ? told(position.settings[name].wanted, 120) : cell(position.settings[name], live.get(name)))),
    el("td", {}, filters(position, live)),
  );
}

/** What is wanted; what is reported too where its words are others, with a mark where that can be heard. */
function cell({ wanted, reported }, difference) {
  if (wanted === reported) return told(wanted, 120);
  const below = el("bdi", {}, words.room.table.reported(plain(reported, 120)));
  return [told(wanted, 120), el("div", { class: "quiet small" }, heard(difference) ? mark(stateOf(difference), below) : below)];
}

function filters(position, live) {
  const said = FILTERS.map((name) => live.get(name)).filter(heard);
  if (said.length) return said.map((difference) => el("div", {}, mark(stateOf(difference), told(difference.words, 200))));
  const none = { away: words.room.table.notRead, alone: words.states.alone }[position.state] ?? words.room.table.asWanted;
  return el("span", { class: "quiet" }, none);
}

function heard(difference) {
  return difference !== undefined && difference.grade !== "slight";
}

function stateOf(difference) {
  if (difference.agreed) return "agreed";
  return difference.grade === "serious" ? "serious" : "differs";
}
