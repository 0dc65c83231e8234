// One snapshot: what it holds, who is missing in it, its seal, and what it does not prove.

import { at } from "../api.js";
import { el, fill, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock, words } from "../words.js";
import { facts, moment, names, part, sentences } from "./facts.js";
import { table } from "./table.js";

const said = words.snapshots;
const KINDS = ["json", "csv", "html"];

/** Show a snapshot. */
export async function showSnapshot(main, id, context) {
  const { zone } = context;
  const snapshot = await context.api.get(`/snapshots${at(id)}`, { signal: context.signal });
  const { body } = snapshot;
  const title = said.one(clock(body.at, zone));
  context.title(title);
  fill(
    main,
    el("p", { class: "trail" }, el("a", { href: "/snapshots" }, said.title)),
    el("div", { class: "head" }, el("h1", {}, title), body.note ? el("p", { class: "lead" }, told(body.note, 500)) : null, aboutIt(body, zone)),
    part(said.exports, exportsOf(snapshot)),
    part(said.notChecked, sentences(body.not_checked?.length ? body.not_checked : [said.neverChecked, said.saysItself])),
    part(said.seal, sealOf(snapshot)),
    part(said.witnesses, witnessesOf(snapshot.witnesses ?? [], zone)),
    body.not_read.length ? part(said.notRead, el("p", { class: "quiet" }, said.notReadHint), notReadOf(body.not_read)) : null,
    part(said.holds, devicesOf(body.devices)),
  );
}

function aboutIt(body, zone) {
  return facts([
    [said.facts.venue, body.venue ? told(body.venue) : null],
    [said.facts.at, moment(body.at, zone)],
    [said.facts.how, said.taken[body.taken ?? "by hand"] ?? told(body.taken)],
    [said.facts.by, told(body.taken_by, 100)],
    [said.facts.change, body.change ? el("a", { href: `/changes${at(body.change)}` }, told(body.change, 64)) : null],
    [said.facts.scope, body.scope ? told(body.scope, 300) : null],
    [said.facts.devices, String(body.devices.length)],
    [said.facts.notRead, String(body.not_read.length)],
  ]);
}

function exportsOf(snapshot) {
  const links = KINDS.map((kind) =>
    el("a", { class: "button", href: `/v1/snapshots${at(snapshot.id)}/file?as=${kind}`, download: true }, said.exportAs[kind]),
  );
  return [el("div", { class: "buttons" }, links), el("p", { class: "quiet small" }, said.verifyOwn, " ", el("code", {}, "fleet snapshot verify FILE --key venue.pem"))];
}

function sealOf(snapshot) {
  const { audit } = snapshot.body;
  return [
    facts([
      [said.sha256, el("code", { class: "hash" }, snapshot.sha256)],
      [said.key, snapshot.signature ? el("code", { class: "hash" }, told(snapshot.body.key_sha256 ?? "", 64)) : said.notSigned],
    ]),
    audit ? el("p", {}, said.auditHead(audit.length), " ", el("code", { class: "hash" }, told(audit.sha256, 64))) : el("p", {}, said.auditNone),
    el("p", {}, el("a", { href: "/access#audit" }, said.toAudit)),
  ];
}

function witnessesOf(witnesses, zone) {
  if (witnesses.length === 0) return el("p", {}, said.noWitness);
  return el(
    "ul",
    { class: "points" },
    witnesses.map((one) => el("li", {}, said.witness[one.kind] ?? told(one.kind), " ", told(one.name, 200), ", ", moment(one.at, zone), one.note ? [": ", told(one.note, 300)] : null)),
  );
}

function notReadOf(rows) {
  return el("ul", {}, rows.map((one) => el("li", {}, mark("away", names([one.position, one.device].filter(Boolean)), ": ", told(one.words, 300)))));
}

function devicesOf(devices) {
  return el(
    "details",
    { open: devices.length <= 20 },
    el("summary", {}, `${devices.length} ${said.columns.devices.toLocaleLowerCase()}`),
    table(
      said.holdsCaption,
      [
        { name: words.devices.columns.device, head: true, cell: (row) => el("a", { href: `/devices${at(row.state.id)}` }, told(row.state.id, 64)) },
        { name: words.devices.facts.serial, cell: (row) => told(row.state.serial) },
        { name: words.devices.columns.model, cell: (row) => told(row.description.model) },
        { name: words.devices.columns.firmware, cell: (row) => told(row.description.firmware) },
        { name: words.devices.activeSlot, cell: (row) => (row.state.active_slot === null ? words.lists.none : String(row.state.active_slot)) },
      ],
      devices,
      { shown: false },
    ),
  );
}
