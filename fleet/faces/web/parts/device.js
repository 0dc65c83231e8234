// One device in full, as it is now: shown, kept as the daemon tells, and what a person may do to it.

import { at, problemWords } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { dayOf, figure, words } from "../words.js";
import { confirm } from "./confirm.js";
import { changesOf, sightingsOf } from "./device-history.js";
import { describedIn, settingsTable, slotsTable } from "./device-told.js";
import { facts, moment, names, part, Said } from "./facts.js";

const said = words.devices;
const SOON_MS = 300;
const LATER_MS = 10_000;
const BLINK_S = 10;
const MARKS = { bound: "right", reachable: "found", seen: "unknown", missing: "away", conflicting: "person", retired: "retired" };

/** The status of a device as a mark. */
export function statusMark(row) {
  return mark(MARKS[row.status] ?? "unknown", said.status[row.status] ?? plain(row.status));
}

/** Show a device, and keep it as the daemon tells. */
export async function showDevice(main, id, context) {
  const { api, live, signal } = context;
  const page = el("div", { class: "device" });
  const doing = el("div", { class: "asking doing-here" });
  const body = el("div", {});
  const wrong = new Said(context.session.role);
  let device = await api.get(`/devices${at(id)}`, { signal });
  let timer = 0;

  context.title(id);
  fill(main, page);
  fill(page, el("p", { class: "trail" }, el("a", { href: "/devices" }, said.title)), el("div", { class: "head" }, el("h1", {}, told(id, 64)), el("p", { class: "lead" })), doing, wrong.node, body);
  if (context.can("integrator")) fill(doing, identifyNodes());
  draw();
  live.listen(({ kind, data }) => isAbout(device, kind, data) && lookIn(SOON_MS), signal);
  signal.addEventListener("abort", () => clearTimeout(timer));
  lookIn(LATER_MS);

  /** Not everything that a device tells is an event: it is looked at from time to time as well. */
  function lookIn(time_ms) {
    clearTimeout(timer);
    timer = setTimeout(async () => {
      await again().catch(() => {});
      if (!signal.aborted) lookIn(LATER_MS);
    }, time_ms);
  }

  async function again() {
    const before = device;
    device = await api.get(`/devices${at(id)}`, { signal });
    if (before.status !== device.status) say(`${plain(id, 64)}: ${said.status[device.status] ?? plain(device.status)}`);
    if (JSON.stringify(before) !== JSON.stringify(device)) draw();
  }

  function draw() {
    const inside = body.contains(document.activeElement);
    fill(page.querySelector(".head .lead"), statusMark(device), device.edited ? [" ", mark("differs", said.edited)] : null);
    fill(body, conflictNodes(), partsOf(device, context.zone));
    if (inside) body.querySelector("a, button, summary")?.focus({ preventScroll: true });
  }

  function identifyNodes() {
    const button = el("button", { type: "button" }, said.identify);
    button.addEventListener("click", async () => {
      button.disabled = true;
      wrong.clear();
      try {
        const { seconds } = await api.post(`/devices${at(id, "identify")}`, { seconds: BLINK_S });
        fill(doing.querySelector("[data-said]"), said.identifying(seconds));
      } catch (problem) {
        wrong.problem(problem);
      }
      button.disabled = false;
    });
    return [el("div", { class: "buttons" }, button), el("p", { class: "quiet small", role: "status", "data-said": true }, said.identifyHint)];
  }

  function conflictNodes() {
    if (!device.conflict) return null;
    const accept = el("button", { type: "button", class: "primary" }, said.accept);
    accept.addEventListener("click", async () => {
      const serial = device.serial ? el("p", {}, said.facts.serial, ": ", el("strong", {}, told(device.serial))) : null;
      const means = el("ul", { class: "points" }, said.acceptMeans.map((text) => el("li", {}, text)));
      const agreed = await confirm({ title: said.acceptTitle, body: [told(device.conflict, 300), serial, means], yes: said.acceptYes, no: words.lists.cancel, signal });
      if (!agreed) return;
      try {
        device = await api.post(`/devices${at(id, "accept")}`, { who: context.session.name });
        say(said.accepted);
        draw();
      } catch (problem) {
        wrong.problem(problem);
        say(problemWords(problem, context.session.role));
      }
    });
    return el(
      "section",
      { class: "panel abnormal" },
      el("h2", {}, mark("person", said.conflict)),
      el("p", {}, told(device.conflict, 400)),
      el("p", {}, said.conflictHint),
      context.can("integrator") ? el("div", { class: "buttons" }, accept) : el("p", { class: "quiet" }, words.lists.integratorOnly),
    );
  }
}

function isAbout(device, kind, data) {
  if (kind === "device") return data.device.device === device.id;
  if (kind === "drift") return data.drift.device === device.id;
  if (kind === "room") return device.positions.some((place) => place.startsWith(`${data.room.room}/`));
  return ["gap", "change", "link"].includes(kind);
}

function partsOf(device, zone) {
  return [
    facts([
      [said.facts.positions, device.positions.length ? placeLinks(device) : null],
      [said.facts.spareFor, device.spare_for.length ? names(device.spare_for) : null],
      [said.facts.retired, device.retired ? [said.retired(dayOf(device.retired.since, zone)), " ", names(device.retired.positions)] : null],
      ...["serial", "model", "firmware", "mac", "address", "route"].map((name) => [said.facts[name], device[name] ? told(device[name]) : null]),
      ...referencesOf(device),
      [said.facts.firstSeen, moment(device.first_seen, zone)],
      [said.facts.lastSeen, moment(device.last_seen, zone) ?? said.never],
      [said.facts.temperature, device.temperature_c === null ? null : `${figure(device.temperature_c)} °C`],
      [said.facts.faults, device.faults.length ? mark("person", names(device.faults)) : null],
      [said.facts.trouble, device.trouble ? mark("person", told(device.trouble, 300)) : null],
    ]),
    device.reported ? reportedParts(device) : null,
    part(said.changes, changesOf(device, zone)),
    device.sightings.length ? el("details", {}, el("summary", {}, said.sightings), sightingsOf(device, zone)) : null,
  ];
}

function reportedParts({ reported, slots }) {
  const { description, state } = reported;
  return [
    part(said.settings, settingsTable(state)),
    slots.length ? part(said.slots, slotsTable(slots)) : null,
    part(said.described, describedIn(description)),
  ];
}

function placeLinks(device) {
  return device.positions.flatMap((place, index) => {
    const cut = place.indexOf("/");
    const href = `/rooms${at(place.slice(0, cut), "positions", place.slice(cut + 1))}`;
    return [index ? ", " : "", el("a", { href }, told(place))];
  });
}

function referencesOf(device) {
  return Object.entries(device.references).flatMap(([place, given]) =>
    Object.entries(given).map(([name, text]) => [
      said.references[name] ?? plain(name.replaceAll("_", " ")),
      [told(text, 200), Object.keys(device.references).length > 1 ? [" (", told(place), ")"] : null],
    ]),
  );
}
