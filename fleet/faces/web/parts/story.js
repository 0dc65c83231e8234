// The story of a change in time order, in sentences: what devices did side by side is told in one.

import { el, plain, told } from "../dom.js";
import { timeOfDay, words } from "../words.js";

const said = words.changes;
const LONGEST_DETAIL = 300;

/** A change's journal as a list of sentences, each with its time. */
export function storyNodes(entries, zone) {
  if (entries.length === 0) return el("p", { class: "quiet" }, said.storyNone);
  return el(
    "ol",
    { class: "story" },
    together(entries).map((several) =>
      el("li", {}, el("time", { datetime: several[0].at }, timeOfDay(several[0].at, zone, 1)), el("span", {}, sentenceOf(several))),
    ),
  );
}

/** Entries that say the same of several devices, one after another. */
export function together(entries) {
  const groups = [];
  for (const entry of entries) {
    const last = groups.at(-1);
    if (last && entry.device && last[0].device && last[0].what === entry.what) last.push(entry);
    else groups.push([entry]);
  }
  return groups;
}

/** What a device was last asked for, in words; `done` where it has answered since. */
export function lastStepOf(entries, device) {
  let step = "";
  let done = false;
  for (const entry of entries) {
    if (entry.device !== device) continue;
    if (entry.what === "answered") done = true;
    else [step, done] = [entry.what, false];
  }
  if (!step) return said.word.waiting;
  const text = said.step[step] ?? plain(step);
  return done ? said.stepDone(text) : text;
}

function sentenceOf(several) {
  const [{ what, device }] = several;
  if (device) return [said.asked[what] ?? [told(what), ":"], " ", several.map(devicePart)];
  const detail = several[0].detail;
  const state = said.states[what] ?? said.notes[what];
  if (!detail) return state ?? told(what);
  return [state ?? [told(what), ":"], " ", told(detail, LONGEST_DETAIL)];
}

function devicePart(entry, index) {
  return [index ? ", " : "", told(entry.device, 64), entry.detail ? [" (", told(entry.detail, LONGEST_DETAIL), ")"] : null];
}
