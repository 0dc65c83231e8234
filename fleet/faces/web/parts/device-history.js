// What became of a device: changes that touched it, and where it was seen.

import { at } from "../api.js";
import { el, plain, told } from "../dom.js";
import { words } from "../words.js";
import { changeMark, changeWords } from "./change.js";
import { moment } from "./facts.js";
import { table } from "./table.js";

const said = words.devices;

/** The changes, each leading to its own page. */
export function changesOf(device, zone) {
  const { columns } = words.changes;
  return table(
    said.changes,
    [
      { name: columns.at, cell: (row) => moment(row.started_at, zone) },
      { name: columns.what, head: true, cell: (row) => el("a", { href: `/changes${at(row.id)}` }, changeWords(row)) },
      { name: columns.who, cell: (row) => told(row.who, 100) },
      { name: columns.state, cell: (row) => changeMark(row.outcome || row.state) },
    ],
    device.changes,
    { shown: false, none: said.noChanges },
  );
}

/** The sightings. */
export function sightingsOf(device, zone) {
  const columns = said.sightingColumns;
  return table(
    said.sightings,
    [
      { name: columns.at, head: true, cell: (row) => moment(row.at, zone) },
      { name: columns.source, cell: (row) => said.sources[row.source] ?? plain(row.source) },
      { name: columns.address, cell: (row) => (row.address ? told(row.address) : null) },
      { name: columns.what, cell: (row) => (row.gone ? said.goodbye : said.seen) },
    ],
    device.sightings,
    { shown: false },
  );
}
