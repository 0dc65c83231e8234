// A round: rooms, one after another, each by a change of its own.

import { at, Problem } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { facts, moment, Said } from "./facts.js";
import { Table } from "./table.js";

const said = words.changes.rounds;
const WAIT_S = 1;
const AGAIN_MS = 1_500;
const MARKS = {
  "not begun": "waits", running: "busy", "as it should be": "right", "nothing to do": "right", kept: "right", refused: "person",
  moved: "differs", failed: "unknown", "rolled back": "back", cancelled: "back", "needs a person": "person",
};

/** Show a round, and follow it to its end. */
export async function showRound(main, id, context) {
  const { api, signal } = context;
  const lead = el("p", { class: "lead", role: "status" });
  const rooms = new Table(
    said.caption,
    [
      { name: said.room, head: true, cell: (row) => told(row.room) },
      { name: said.state, cell: (row) => mark(MARKS[row.state] ?? "unknown", said.states[row.state] ?? plain(row.state)) },
      { name: said.what, cell: whatOf },
    ],
    (row) => row.room,
  );
  const end = el("div", {});
  let round;
  try {
    round = await api.get(`/rounds${at(id)}`, { signal });
  } catch (problem) {
    if (!(problem instanceof Problem) || problem.status !== 404) throw problem;
    fill(main, trail(), el("div", { class: "head" }, el("h1", {}, told(id, 64)), el("p", { class: "lead" }, said.gone)));
    return;
  }
  const title = said.title(words.room.change.title[round.kind] ?? plain(round.kind));
  context.title(title);
  const stop = stopNodes(round, context);
  fill(
    main,
    trail(),
    el(
      "div",
      { class: "head" },
      el("h1", {}, title),
      lead,
      facts([
        [words.changes.facts.who, told(round.who, 100)],
        [words.changes.facts.why, round.why ? told(round.why, 300) : null],
        [words.changes.facts.at, moment(round.started_at, context.zone)],
      ]),
    ),
    rooms.node,
    stop,
    end,
  );
  draw();
  follow();

  function draw() {
    const done = round.rooms.filter((room) => !["not begun", "running"].includes(room.state)).length;
    lead.textContent = said.turn(done, round.rooms.length);
    rooms.show(round.rooms);
    stop.hidden = round.ended || !context.can("integrator");
    if (round.ended) fill(end, endNodes(round));
  }

  async function follow() {
    while (!round.ended && !signal.aborted) {
      try {
        round = await api.get(`/rounds${at(id)}`, { query: { wait_s: WAIT_S }, signal });
      } catch {
        if (signal.aborted) return;
        await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
        continue;
      }
      draw();
    }
    if (!signal.aborted) say(round.all_done ? said.done : said.notDone);
  }
}

function whatOf(row) {
  return [
    row.change ? el("p", {}, el("a", { href: `/changes${at(row.change)}` }, said.change, " ", told(row.change, 64))) : null,
    row.words ? el("p", {}, told(row.words, 300)) : null,
    row.devices.length
      ? el("ul", { class: "points" }, row.devices.map((one) => el("li", {}, one.words.startsWith(`${one.device} `) ? null : [told(one.device, 64), ": "], told(one.words, 300))))
      : null,
  ].filter(Boolean);
}

function endNodes(round) {
  return el(
    "section",
    { class: `panel ${round.all_done ? "" : "abnormal"}` },
    el("h2", {}, mark(round.all_done ? "right" : "differs", round.all_done ? said.done : said.notDone)),
    round.stopped ? el("p", {}, said.stopped, " ", told(round.stopped, 300)) : null,
    el("div", { class: "buttons" }, el("a", { class: "button", href: "/differences" }, words.changes.toDifferences)),
  );
}

function stopNodes(round, context) {
  const wrong = new Said(context.session.role);
  const button = el("button", { type: "button" }, said.stop);
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await context.api.post(`/rounds${at(round.id, "cancel")}`, { who: context.session.name });
    } catch (problem) {
      button.disabled = false;
      wrong.problem(problem);
    }
  });
  return el("div", { class: "asking" }, el("div", { class: "buttons" }, button), el("p", { class: "quiet small" }, said.stopHint), wrong.node);
}

function trail() {
  return el("p", { class: "trail" }, el("a", { href: "/changes" }, words.changes.title));
}
