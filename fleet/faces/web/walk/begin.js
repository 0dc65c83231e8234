// Before a walk: what goes on now, a form with the cautions, and the walks so far.

import { at } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { Said, moment, part } from "../parts/facts.js";
import { table } from "../parts/table.js";
import { words } from "../words.js";
import { screenMark } from "./kept.js";

const LEVEL_DB = -30;
const WITHIN_S = 600;
const MOST_WALKS = 50;

/** Draw `/walk`; `?room=` says which room is meant. */
export async function showBeginning(main, route, context) {
  const { api, signal } = context;
  const [{ rooms }, walks] = await Promise.all([api.get("/rooms", { signal }), api.all("/walks", "walks", { signal, most: MOST_WALKS })]);
  const names = new Map(rooms.map((room) => [room.room, room.name]));
  const going = walks.filter((walk) => !walk.has_ended);
  fill(
    main,
    el("div", { class: "head" }, el("h1", {}, words.walk.title), el("p", { class: "lead" }, words.walk.lead)),
    going.length ? part(words.walk.going.title, el("ul", { class: "going" }, going.map((walk) => goingOn(walk, names)))) : null,
    part(words.walk.begin.title, rooms.length ? form(rooms, route.query.get("room"), context) : el("p", {}, words.walk.begin.none)),
    part(words.walk.so_far.title, soFar(walks, names, context)),
  );
}

function goingOn(walk, names) {
  const { going } = words.walk;
  const number = walk.positions.indexOf(walk.at) + 1;
  const ours = walk.screen === screenMark() ? ` · ${going.yours}` : "";
  return el(
    "li",
    { class: "panel" },
    el("p", {}, el("strong", {}, told(going.by(plain(walk.led_by || walk.who, 60), plain(names.get(walk.room) ?? walk.room, 60)), 160)), ours),
    el("p", { class: "quiet" }, told(going.words(walk.now ? plain(walk.now.position, 60) : "", number, walk.positions.length), 160)),
    el("p", {}, el("a", { class: "button", href: at("walk", walk.id) }, going.look)),
  );
}

function form(rooms, asked, context) {
  const { begin } = words.walk;
  const said = new Said(context.session.role);
  const wrong = el("p", { class: "wrong", id: "walk-wrong", role: "alert" });
  const room = el("select", { id: "walk-room", onchange: groupsOf }, rooms.map((one) => el("option", { value: one.room, selected: one.room === asked }, plain(one.name, 80))));
  const group = el("select", { id: "walk-group", onchange: baselineOf });
  const level = el("input", { id: "walk-level", type: "text", inputmode: "text", value: String(LEVEL_DB), autocomplete: "off", "aria-describedby": "walk-level-hint" });
  const within = el("select", { id: "walk-within" }, Object.entries(begin.withins).map(([seconds, name]) => el("option", { value: seconds, selected: Number(seconds) === WITHIN_S }, name)));
  const baseline = el("input", { id: "walk-baseline", type: "checkbox" });
  const clear = el("input", { id: "walk-clear", type: "checkbox", "aria-describedby": "walk-wrong" });
  const button = el("button", { type: "submit", class: "primary big" }, begin.button);
  const node = el(
    "form",
    { class: "walk-form", novalidate: true, onsubmit: submit },
    field(begin.room, room),
    field(begin.group, group),
    field(`${begin.level} (${begin.levelUnit})`, level, el("p", { class: "quiet small", id: "walk-level-hint" }, begin.levelHint)),
    field(begin.within, within),
    el("label", { class: "tick" }, baseline, el("span", {}, begin.baseline)),
    el("div", { class: "panel abnormal cautions" }, el("h3", {}, begin.cautions), el("ul", { class: "points" }, begin.caution.map((one) => el("li", {}, one))), el("label", { class: "tick" }, clear, el("span", {}, begin.clear))),
    wrong,
    said.node,
    button,
  );
  groupsOf();
  return node;

  function groupsOf() {
    const { groups } = rooms.find((one) => one.room === room.value);
    fill(group, el("option", { value: "" }, begin.whole), Object.keys(groups).map((name) => el("option", { value: name }, begin.ofGroup(plain(name, 60)))));
    baselineOf();
  }

  function baselineOf() {
    baseline.disabled = group.value !== "";
    if (baseline.disabled) baseline.checked = false;
  }

  async function submit(event) {
    event.preventDefault();
    if (button.disabled) return;
    said.clear();
    const level_db = Number(level.value.trim().replace(",", ".").replace("\u2212", "-"));
    const levelIsWrong = level.value.trim() === "" || !(level_db >= -200 && level_db <= 20);
    wrong.textContent = levelIsWrong ? begin.levelWrong : clear.checked ? "" : begin.clearWrong;
    level.setAttribute("aria-invalid", String(levelIsWrong));
    if (wrong.textContent) {
      (levelIsWrong ? level : clear).focus();
      return;
    }
    button.disabled = true;
    say(begin.beginning);
    button.textContent = begin.beginning;
    try {
      const body = { room: room.value, group: group.value || null, level_db, step_within_s: Number(within.value), as_baseline: baseline.checked, screen: screenMark() };
      const walk = await context.api.post("/walks", body);
      await context.go(at("walk", walk.id));
    } catch (problem) {
      button.disabled = false;
      button.textContent = begin.button;
      said.problem(problem);
    }
  }
}

function field(name, control, hint = null) {
  return el("div", { class: "field" }, el("label", { for: control.id }, name), control, hint);
}

function soFar(walks, names, { zone }) {
  const { so_far: own } = words.walk;
  const found = (walk) => {
    const missed = walk.not_walked.filter((one) => !one.life_safety).length + walk.left.length;
    return [
      walk.all_right ? own.right : "",
      walk.findings.length ? own.findings(walk.findings.length) : "",
      missed ? own.left(missed) : "",
      walk.is_baseline ? own.baseline : "",
    ]
      .filter(Boolean)
      .join(", ");
  };
  const room = (walk) => [told(names.get(walk.room) ?? walk.room), walk.only_group ? [", ", told(own.group(plain(walk.only_group, 60)))] : ""].flat();
  return table(
    own.title,
    [
      { name: own.room, head: true, cell: (walk) => el("a", { href: at("walk", walk.id) }, room(walk)) },
      { name: own.when, cell: (walk) => moment(walk.began, zone) },
      { name: own.who, cell: (walk) => told(walk.who) },
      { name: own.state, cell: (walk) => own.states[walk.state] ?? "" },
      { name: own.found, cell: found },
    ],
    walks,
    { shown: false, none: own.none },
  );
}

