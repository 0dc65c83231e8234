// A snapshot's file, brought back: the daemon looks at it as it looks at any, and keeps nothing of it.

import { el, fill, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";
import { Said, sentences } from "./facts.js";
import { table } from "./table.js";

const said = words.snapshots;
const LARGEST = 16_000_000;
const MARKS = { right: "right", wrong: "serious", "not checked": "unknown" };

/** The form, and below it what came of the file. */
export function verifyNodes(context) {
  const file = el("input", { type: "file", id: "verify-file", accept: ".json,application/json" });
  const key = el("input", { type: "file", id: "verify-key", accept: ".pem,.pub,application/x-pem-file" });
  const button = el("button", { type: "submit" }, said.verifyDo);
  const wrong = new Said(context.session.role);
  const result = el("div", { class: "verdict", "aria-live": "polite" });
  const form = el(
    "form",
    { class: "taking", novalidate: true },
    el("p", { class: "quiet" }, said.verifyHint),
    el("div", { class: "field" }, el("label", { for: "verify-file" }, said.verifyFile), file),
    el("div", { class: "field" }, el("label", { for: "verify-key" }, said.verifyKey), key),
    button,
    wrong.node,
    result,
    el("p", { class: "quiet small" }, said.verifyOwn, " ", el("code", {}, "fleet snapshot verify FILE --key venue.pem")),
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    fill(result);
    wrong.clear();
    const [chosen] = file.files;
    if (!chosen) return tell(said.verifyChoose, file);
    if (chosen.size > LARGEST) return tell(said.tooLarge, file);
    button.disabled = true;
    say(said.verifying);
    try {
      const body = { file: await base64Of(chosen), key: key.files[0] ? await key.files[0].text() : "" };
      fill(result, verdictNodes(await context.api.post("/snapshots/verify", body, { signal: context.signal })));
    } catch (problem) {
      if (!context.signal.aborted) wrong.problem(problem);
    }
    button.disabled = false;
  });
  return form;

  function tell(text, control) {
    fill(wrong.node, el("p", { class: "wrong" }, text));
    control.focus();
  }
}

function verdictNodes(verdict) {
  return el(
    "section",
    { class: `panel ${verdict.right ? "" : "danger"}` },
    el("h3", {}, mark(verdict.right ? "right" : "person", verdict.right ? said.verifyRight : said.verifyWrong)),
    table(
      said.verify,
      [
        { name: said.check, head: true, cell: (row) => said.checks[row.name] ?? told(row.name) },
        { name: said.result, cell: (row) => mark(MARKS[row.result] ?? "unknown", said.results[row.result] ?? told(row.result)) },
        { name: said.words, cell: (row) => told(row.words, 500) },
      ],
      verdict.checks,
      { shown: false },
    ),
    verdict.audit ? el("p", {}, said.auditHead(verdict.audit.length), " ", el("code", { class: "hash" }, told(verdict.audit.sha256, 64))) : null,
    el("h3", {}, said.notShown),
    sentences([...verdict.not_checked, ...verdict.caveats], 600),
  );
}

/** A file as base64, a piece at a time, so that a large one does not have to be one argument. */
async function base64Of(file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  const pieces = [];
  for (let start = 0; start < bytes.length; start += 0x8000) pieces.push(String.fromCharCode(...bytes.subarray(start, start + 0x8000)));
  return btoa(pieces.join(""));
}
