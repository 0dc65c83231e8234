// One change: what became of it while it goes on, how it ended, what to do next, and its whole story.

import { at } from "../api.js";
import { el, fill, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { Following } from "../room/following.js";
import { words } from "../words.js";
import { facts, moment, names, part, Said, sentences } from "./facts.js";
import { planNodes } from "./plan.js";
import { showPlanning } from "./planning.js";
import { lastStepOf, storyNodes } from "./story.js";
import { table } from "./table.js";

const said = words.changes;
const ROUND = /^(round-[0-9A-Za-z-]+)(?:: |$)/;
const GOING_BACK = ["rolling back", "checking", "recovering"];
const MARKS = { kept: "right", "on trial": "waits", "rolled back": "back", cancelled: "back", "needs a person": "person" };

/** The state of a change as a mark. */
export function changeMark(state) {
  return mark(MARKS[state] ?? "busy", said.state[state] ?? plain(state));
}

/** A change in a few words: its kind, and what it is about. */
export function changeWords(change) {
  return [words.room.change.title[change.kind] ?? plain(change.kind), " ", told(change.scope)];
}

/** Why a change was done; a round that it belongs to is a link. */
export function whyWords(why) {
  const round = ROUND.exec(why)?.[1];
  if (!round) return why ? told(why, 300) : null;
  const rest = why.slice(round.length).replace(/^: /, "");
  return [el("a", { href: `/changes/rounds${at(round)}` }, told(round, 64)), rest ? [": ", told(rest, 300)] : null];
}

/** Show a change, and follow it to its end. */
export async function showChange(main, id, context) {
  const { api, signal, session } = context;
  const panel = el("div", { class: "change-now" });
  const phases = el("div", { class: "phases-around" });
  const stop = stopNodes(id, context);
  const page = el("div", { class: "change" });
  let change = await api.get(`/changes${at(id)}`, { signal });
  const undone = await undoneBy(change, context);
  const following = new Following(panel, context, { roomName: change.scope, ended: draw, drawn: progress });

  context.title(`${words.room.change.title[change.kind] ?? change.kind} ${change.scope}`);
  fill(main, page);
  draw(change);
  if (!change.ended) following.follow(id, { mine: change.who === session.name });

  function draw(now) {
    change = now;
    if (change.ended) fill(panel, endNodes(change, context, undo));
    else fill(phases, phasesOf(change), hintOf(change));
    fill(
      page,
      el("p", { class: "trail" }, el("a", { href: "/changes" }, said.title)),
      el(
        "div",
        { class: "head" },
        el("h1", {}, changeWords(change)),
        el("p", { class: "lead", "data-state": change.state }, changeMark(change.state)),
        factsOf(change, undone, context.zone),
      ),
      panel,
      change.ended ? null : [phases, stop],
      moreNodes(change, context.zone),
    );
  }

  /** The parts that grow while it goes on; what is pressed there stays in its place. */
  function progress(now) {
    if (now.ended) return;
    change = now;
    const lead = page.querySelector(".head .lead");
    if (lead && lead.dataset.state !== now.state) {
      lead.dataset.state = now.state;
      fill(lead, changeMark(now.state));
    }
    page.querySelector("[data-more]")?.replaceWith(moreNodes(now, context.zone));
    fill(phases, phasesOf(now), hintOf(now));
    stop.hidden = GOING_BACK.includes(now.state) || now.state === "on trial" || !context.can("integrator");
  }

  function undo() {
    const asked = { kind: "rollback", change: change.id, who: session.name };
    return showPlanning(main, context, {
      title: said.undoTitle,
      hint: said.undoHint,
      look: async () => [{ room: change.plan.rooms[0] ?? "", plan: await api.post("/plans", asked, { signal }) }],
      begin: async ([{ plan }], how) => {
        const begun = await api.post("/changes", { ...asked, digest: plan.digest, ...how, allow: how.allow });
        await context.go(`/changes${at(begun.id)}`);
      },
      leave: () => context.go(`/changes${at(change.id)}`, { replace: true }),
    });
  }
}

function factsOf(change, undone, zone) {
  return facts([
    [said.facts.who, told(change.who, 100)],
    [said.facts.why, whyWords(change.why)],
    [said.facts.at, moment(change.started_at, zone)],
    [said.facts.ended, moment(change.ended_at, zone)],
    [said.facts.undoes, change.undoes ? changeLink(change.undoes) : null],
    [said.facts.undone, undone.length ? undone.map((id, index) => [index ? ", " : "", changeLink(id)]) : null],
    [said.facts.plan, el("code", {}, change.plan.digest.slice(0, 12))],
  ]);
}

function changeLink(id) {
  return el("a", { href: `/changes${at(id)}` }, told(id, 64));
}

/** Changes that undid this one, among the newest. */
async function undoneBy(change, { api, signal }) {
  if (!change.ended) return [];
  const { changes } = await api.get("/changes", { signal });
  return changes.filter((one) => one.undoes === change.id && one.state === "kept").map((one) => one.id);
}

function endNodes(change, context, undo) {
  const culprits = Object.entries(change.culprits ?? {});
  const person = change.state === "needs a person";
  const mine = context.can("integrator") && ["kept", "needs a person"].includes(change.state);
  return el(
    "section",
    { class: `panel ${person ? "danger" : change.state === "kept" ? "" : "abnormal"}`, "aria-label": words.changes.columns.went },
    el("h2", {}, mark(MARKS[change.state] ?? "unknown", said.ended[change.state] ?? plain(change.state))),
    culprits.length
      ? el("div", {}, el("h3", {}, said.culprits), el("ul", { class: "points" }, culprits.map(([device, why]) => el("li", {}, device ? [told(device, 64), ": "] : null, told(why, 300)))))
      : null,
    change.state === "kept" && change.plan.afterwards.length ? el("div", {}, el("h3", {}, words.plans.afterwards), sentences(change.plan.afterwards)) : null,
    el("div", {}, el("h3", {}, said.next), el("p", {}, said.nextSteps[change.state] ?? "")),
    el(
      "div",
      { class: "buttons" },
      el("a", { class: "button", href: differencesOf(change) }, said.toDifferences),
      mine && change.kind !== "walk" ? el("button", { type: "button", class: person ? "primary" : "secondary", onclick: undo }, said.undo) : null,
    ),
  );
}

function differencesOf(change) {
  return `/differences${change.plan.rooms.length === 1 ? `?room=${encodeURIComponent(change.plan.rooms[0])}` : ""}`;
}

function stopNodes(id, context) {
  const wrong = new Said(context.session.role);
  const button = el("button", { type: "button" }, said.stop);
  button.addEventListener("click", async () => {
    button.disabled = true;
    wrong.clear();
    try {
      await context.api.post(`/changes${at(id, "cancel")}`, { who: context.session.name });
    } catch (problem) {
      wrong.problem(problem);
    }
    button.disabled = false;
  });
  return el("div", { class: "asking", hidden: !context.can("integrator") }, el("div", { class: "buttons" }, button), wrong.node);
}

function hintOf(change) {
  return change.state === "on trial" ? el("p", { class: "quiet small" }, said.trialHint) : null;
}

function phasesOf(change) {
  const here = said.phases.findIndex(([state]) => state === change.state);
  return el(
    "ol",
    { class: "phases", "aria-label": said.phasesName },
    said.phases.map(([state, text], index) =>
      el("li", { "aria-current": state === change.state ? "step" : null, "data-past": index < here ? "yes" : null }, text),
    ),
  );
}

/** Everything below: each device, what was planned, and the story. */
function moreNodes(change, zone) {
  return el(
    "div",
    { "data-more": true },
    part(said.outcomes, outcomesOf(change)),
    part(said.story, storyNodes(change.story, zone)),
    part(said.planned, el("details", {}, el("summary", {}, words.plans.changes(change.plan.devices.length)), planNodes(change.plan))),
  );
}

function outcomesOf(change) {
  const outcomes = new Map(change.devices.map((one) => [one.device, one]));
  const rows = change.plan.devices.map((device) => ({ ...device, outcome: outcomes.get(device.device) ?? null }));
  return table(
    said.outcomes,
    [
      { name: said.columns.device, head: true, cell: (row) => el("a", { href: `/devices${at(row.device)}` }, told(row.device, 64)) },
      { name: said.columns.places, cell: (row) => names(row.positions) },
      { name: said.columns.went, cell: (row) => wentOf(row, change) },
    ],
    rows,
    { shown: false, none: words.plans.none },
  );
}

function wentOf({ device, outcome }, change) {
  if (!outcome || !(change.ended || change.state === "on trial")) return mark("busy", lastStepOf(change.story, device));
  return mark(MARKS[outcome.word] ?? "busy", said.word[outcome.word] ?? told(outcome.word), outcome.words ? [": ", told(outcome.words, 300)] : null);
}
