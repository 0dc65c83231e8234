// Devices: the inventory, filtered by what stands in the address, or one device in full.

import { at } from "../api.js";
import { el, fill, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { showDevice, statusMark } from "../parts/device.js";
import { moment, names } from "../parts/facts.js";
import { Pages } from "../parts/pages.js";
import { Table } from "../parts/table.js";
import { dayOf, words } from "../words.js";

const said = words.devices;
const SOON_MS = 300;
const TEXTS = ["model", "firmware", "circuit", "switch_port"];
const FLAGS = ["not_bound", "edited", "unhealthy"];

/** Draw the page into `main`. */
export async function show(main, route, context) {
  if (route.parts[0]) return showDevice(main, route.parts[0], context);
  const { api, live, signal, zone } = context;
  const query = queryOf(route.query);
  const lead = el("p", { class: "lead" });
  const list = new Table(
    said.caption,
    [
      { name: said.columns.status, cell: (row) => statusMark(row) },
      { name: said.columns.device, head: true, cell: (row) => el("a", { href: `/devices${at(row.id)}` }, told(row.id, 64)) },
      { name: said.columns.model, cell: (row) => (row.model ? told(row.model) : null) },
      { name: said.columns.firmware, cell: (row) => (row.firmware ? told(row.firmware) : null) },
      { name: said.columns.places, cell: (row) => placesOf(row, zone) },
      { name: said.columns.lastSeen, cell: (row) => moment(row.last_seen, zone) ?? said.never },
    ],
    (row) => row.id,
    { shown: false, none: said.none },
  );
  const form = filters(query, context);
  const pages = new Pages(api, "/devices", "devices", { query, signal, show: (rows) => draw(rows) });
  let timer = 0;

  context.title(said.title);
  const first = await pages.begin();
  tell(first);
  fill(main, el("div", { class: "head" }, el("h1", {}, said.title), lead), form.node, list.node, pages.node);
  form.offer(await api.get("/rooms", { signal }));
  live.listen(({ kind }) => {
    if (!["device", "drift", "room", "link", "gap", "change"].includes(kind)) return;
    clearTimeout(timer);
    timer = setTimeout(() => again().catch(() => {}), SOON_MS);
  }, signal);
  signal.addEventListener("abort", () => clearTimeout(timer));

  async function again() {
    tell(await pages.again());
  }

  function draw(rows) {
    list.show(rows);
    form.know(rows);
  }

  function tell(document) {
    const counts = Object.entries(document.counts ?? {}).filter(([, count]) => count > 0).map(([name, count]) => `${count} ${said.counts[name] ?? plain(name)}`);
    fill(lead, document.link_trouble ? [mark("unknown", said.linkTrouble, " ", told(document.link_trouble, 300)), el("br")] : null, counts.join(", "));
  }
}

function placesOf(row, zone) {
  const lines = [];
  if (row.positions.length) lines.push(el("div", {}, names(row.positions), row.life_safety ? ` (${said.lifeSafety})` : null));
  else if (row.spare_for.length) lines.push(el("div", {}, said.spareFor, " ", names(row.spare_for)));
  else if (row.retired) lines.push(el("div", {}, said.retired(dayOf(row.retired.since, zone)), " ", names(row.retired.positions)));
  if (row.conflict || row.trouble) lines.push(el("div", { class: "small" }, mark("person", told(row.conflict || row.trouble, 300))));
  if (row.faults.length) lines.push(el("div", { class: "small" }, mark("person", said.faults, " ", names(row.faults))));
  if (row.edited) lines.push(el("div", { class: "small" }, mark("differs", said.edited)));
  return lines;
}

/** What the address asks for, as the API takes it. */
function queryOf(parameters) {
  const query = {};
  for (const name of ["room", "status", ...TEXTS]) if (parameters.get(name)) query[name] = parameters.get(name);
  for (const name of FLAGS) if (parameters.get(name) === "true") query[name] = "true";
  return query;
}

/** Filters as a form: what is chosen goes into the address, and from there the page is shown anew. */
function filters(query, context) {
  const room = el("select", { id: "filter-room" }, roomOptions([], query.room));
  const status = el(
    "select",
    { id: "filter-status" },
    el("option", { value: "" }, words.lists.every),
    Object.entries(said.status).map(([value, text]) => el("option", { value, selected: value === query.status }, text)),
  );
  const only = el(
    "select",
    { id: "filter-only" },
    Object.entries(said.only).map(([value, text]) => el("option", { value, selected: Boolean(value) && query[value] === "true" }, text)),
  );
  const texts = new Map(
    TEXTS.map((name) => [name, el("input", { id: `filter-${name}`, value: plain(query[name] ?? ""), list: `known-${name}`, maxlength: "100", autocomplete: "off" })]),
  );
  const known = new Map(["model", "firmware"].map((name) => [name, el("datalist", { id: `known-${name}` })]));
  const form = el(
    "form",
    { class: "filters", role: "search" },
    field(said.filters.room, room),
    field(said.filters.status, status),
    [...texts].map(([name, input]) => field(said.filters[name], input)),
    field(said.filters.more, only),
    [...known.values()],
    el("div", { class: "buttons" }, el("button", { type: "submit" }, said.show), Object.keys(query).length ? el("a", { class: "button", href: "/devices" }, said.clear) : null),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const parameters = new URLSearchParams();
    if (room.value) parameters.set("room", room.value);
    if (status.value) parameters.set("status", status.value);
    for (const [name, input] of texts) if (input.value.trim()) parameters.set(name, input.value.trim());
    if (only.value) parameters.set(only.value, "true");
    const text = parameters.toString();
    context.go(`/devices${text ? `?${text}` : ""}`);
  });
  return {
    node: el("details", { class: "filter", open: Object.keys(query).length > 0 }, el("summary", {}, words.lists.choose), form),
    offer: (venue) => fill(room, roomOptions(venue.rooms, query.room)),
    know: (rows) => {
      for (const [name, list] of known) {
        const found = [...new Set(rows.map((row) => row[name]).filter(Boolean))].sort();
        fill(list, found.map((value) => el("option", { value: plain(value, 100) })));
      }
    },
  };
}

function roomOptions(rooms, chosen) {
  const missing = chosen && !rooms.some((one) => one.room === chosen) ? [{ room: chosen, name: chosen }] : [];
  return [
    el("option", { value: "" }, words.lists.every),
    ...[...missing, ...rooms].map((one) => el("option", { value: one.room, selected: one.room === chosen }, plain(one.name, 60))),
  ];
}

function field(name, control) {
  return el("div", { class: "field" }, el("label", { for: control.id }, name), control);
}
