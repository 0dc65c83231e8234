// What this screen keeps for itself, over sleep and reload: its own mark, open answers, and the instrument in hand.
// A browser that keeps nothing does so as long as the page is open.

const memory = new Map();

/** The mark by which the daemon knows this screen from others. */
export function screenMark() {
  let mark = read("walk-screen");
  if (typeof mark !== "string" || !/^[0-9a-f]{24}$/.test(mark)) {
    mark = Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");
    write("walk-screen", mark);
  }
  return mark;
}

/** Open answers for the position under test of a walk, if this screen has any. */
export function draftOf({ id, now }) {
  const draft = read("walk-draft");
  return draft?.walk === id && draft.position === now?.position ? draft.answers : {};
}

export function keepDraft({ id, now }, answers) {
  write("walk-draft", { walk: id, position: now.position, answers });
}

export function dropDraft() {
  write("walk-draft", null);
}

/** The instrument that was named last: `{instrument, instrument_serial}`. */
export function instrument() {
  return { instrument: "", instrument_serial: "", ...read("walk-instrument") };
}

export function keepInstrument(named) {
  write("walk-instrument", named);
}

function read(name) {
  try {
    return JSON.parse(localStorage.getItem(name)) ?? memory.get(name) ?? null;
  } catch {
    return memory.get(name) ?? null;
  }
}

function write(name, value) {
  memory.set(name, value);
  try {
    if (value === null) localStorage.removeItem(name);
    else localStorage.setItem(name, JSON.stringify(value));
  } catch {
    // it is in the memory
  }
}
