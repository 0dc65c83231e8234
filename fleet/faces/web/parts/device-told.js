// What a device tells: what it is, in words, and its settings and slots.

import { el, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { decibels, figure, words } from "../words.js";
import { facts, names } from "./facts.js";
import { table } from "./table.js";
import { valueWords } from "./values.js";

const said = words.devices;
const WHOLE = ["input", "panel_locked", "power_up_slot"];

/** Settings of each output, and of the device as a whole. */
export function settingsTable(state) {
  const rows = [{ of: said.whole, setting: said.activeSlot, value: state.active_slot ?? words.lists.none }];
  for (const name of WHOLE) if (state.live[name] !== null) rows.push({ of: said.whole, setting: words.plans.settings[name], value: valueWords(name, state.live[name]) });
  for (const [output, settings] of Object.entries(state.live.outputs)) {
    for (const [name, value] of Object.entries(settings)) {
      if (value !== null) rows.push({ of: said.output(output), setting: words.plans.settings[name] ?? plain(name), value: valueWords(name, value) });
    }
    const causes = state.mute_causes[output] ?? [];
    if (causes.length) rows.push({ of: said.output(output), setting: said.mutedBy, value: plain(causes.join(", ")) });
  }
  return table(
    said.settingsCaption,
    [
      { name: said.setting, head: true, cell: (row) => [row.of, ": ", row.setting] },
      { name: said.value, cell: (row) => told(row.value, 400) },
    ],
    rows,
    { shown: false },
  );
}

/** Its preset slots. */
export function slotsTable(slots) {
  const columns = said.slotColumns;
  return table(
    said.slots,
    [
      { name: columns.slot, head: true, cell: (row) => String(row.slot) },
      { name: columns.name, cell: (row) => (row.name ? told(row.name) : null) },
      { name: columns.kind, cell: (row) => said.slotKinds[row.kind] ?? plain(row.kind) },
      { name: columns.state, cell: slotState },
    ],
    slots,
    { shown: false },
  );
}

function slotState(slot) {
  const { slotStates } = said;
  const parts = [slot.active ? slotStates.active : "", slot.told ? "" : slotStates.notTold].filter(Boolean).join(", ");
  return [parts, slot.edited ? el("div", { class: "small" }, mark("differs", slotStates.edited)) : null].filter(Boolean);
}

/** What its description says that it can do. */
export function describedIn(description) {
  const { describe } = said;
  const { slots, power_up: power } = description;
  const stages = description.features.includes("stage");
  return facts([
    ...description.outputs.map((output) => [said.output(output.output), outputWords(output)]),
    [describe.rate, `${figure(description.sample_rate_hz / 1000)} kHz`],
    [describe.latency, `${figure(description.latency_ms)} ms`],
    [describe.inputs, description.inputs.length ? names(description.inputs) : null],
    [describe.panel, description.panel_lock ? describe.lockable : describe.notLockable],
    [describe.power, power.behaviour === "default_slot" ? describe.defaultSlot(power.slot) : describe.lastState],
    [describe.stage, stages ? (description.features.includes("revert_timer") ? describe.stages : describe.stagesNoTimer) : describe.plainly],
    [describe.slots, `${describe.slotCount(slots.count, slots.factory.length)}${slots.readable_inactive ? "" : `; ${describe.notReadable}`}`],
  ]);
}

function outputWords(output) {
  const { describe } = said;
  return [
    output.name ? [told(output.name), ": "] : null,
    [
      describe.passband(figure(output.passband_hz[0]), figure(output.passband_hz[1])),
      describe.level(decibels(output.level_db.min), decibels(output.level_db.max)),
      output.delay_ms ? describe.delay(figure(output.delay_ms.max)) : "",
      output.eq ? describe.eq(output.eq.bands) : describe.noEq,
      output.protective_high_pass_hz ? describe.protective(figure(output.protective_high_pass_hz)) : "",
    ].filter(Boolean).join(", "),
  ];
}
