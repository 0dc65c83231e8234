// The position under test: its name in big type, where it is, and the answers below, where the thumb is.

import { problemWords } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark, shape } from "../marks.js";
import { smallPlan, whereWords } from "../parts/where.js";
import { decibels, words } from "../words.js";
import { draftOf, instrument, keepDraft, keepInstrument } from "./kept.js";

const QUESTIONS = ["place", "source", "sound", "polarity"];
const SHAPES = { yes: "right", no: "serious", "not sure": "unknown" };
const LONGEST_NOTES = 2_000;

export class TestCard {
  constructor(walk, document_, countdown, awake) {
    this._walk = walk;
    this._document = document_;
    this._now = document_.now;
    const heard = document_.heard.find((one) => one.position === this._now.position)?.answers;
    this._answers = { ...measuredOf(heard), ...pick(heard, [...QUESTIONS, "notes"]), ...draftOf(document_) };
    this._asking = this._open();
    this._skipping = false;
    this._countdown = countdown;
    this._awake = awake;
    this._saidTrouble = el("div", { class: "said", role: "alert" });
    this._given = el("div", { class: "given" });
    this._pad = el("div", { class: "pad" });
    this._fields = this._drawFields();
    this._whereabouts = el("div", { class: "walk-where" });
    this.node = this._whole();
    this._showPlace();
    this._drawAnswers();
  }

  trouble(problem) {
    fill(this._saidTrouble, problem ? el("p", { class: "panel abnormal" }, mark("person", told(problemWords(problem, "integrator"), 600))) : null);
  }

  busy(saying) {
    this._busy = saying;
    this._drawPad();
  }

  _whole() {
    const { test } = words.walk;
    const now = this._now;
    const number = this._document.positions.indexOf(now.position) + 1;
    const missed = this._document.not_walked;
    return el(
      "article",
      { class: "under-test" },
      el(
        "div",
        { class: "test-words" },
        el("p", { class: "test-number" }, test.number(number, this._document.positions.length)),
        el("h1", {}, told(now.position)),
        this._whereabouts,
        el("p", {}, told(now.device), `, ${test.box(now.output)}`),
        el("p", {}, el("strong", {}, test.level(decibels(now.level_db))), now.level_db === now.was_db ? null : el("span", { class: "quiet" }, `; ${test.was(decibels(now.was_db))}`)),
        el("p", { class: "quiet" }, now.muted.length ? test.muted(now.muted.length) : test.alone),
        now.may_sound.length ? el("div", { class: "panel abnormal" }, el("p", {}, test.maySound), el("ul", { class: "points" }, now.may_sound.map((one) => el("li", {}, told(one, 300))))) : null,
        this._given,
        this._fields.node,
        missed.length ? el("details", {}, el("summary", {}, test.notWalked(missed.length)), el("ul", { class: "points" }, missed.map((one) => el("li", {}, told(one.position), ": ", told(one.words, 300))))) : null,
        el("p", {}, el("button", { type: "button", class: "plain", onclick: () => this._walk.go("repeat") }, test.repeat)),
        this._awake.node,
      ),
      el("div", { class: "test-pad" }, this._saidTrouble, this._countdown.node, this._pad),
    );
  }

  async _showPlace() {
    const found = await this._walk.placeOf(this._now.position);
    if (!found) return;
    const plan = smallPlan(found);
    fill(this._whereabouts, el("p", {}, whereWords(found)), plan ? el("details", { open: roomForPlan() }, el("summary", {}, words.walk.test.plan), plan) : null);
  }

  /** The first question without an answer; none where all have one. */
  _open() {
    return QUESTIONS.find((question) => !this._answers[question]) ?? "";
  }

  _drawAnswers() {
    const { test } = words.walk;
    const given = QUESTIONS.map((question) => {
      const answer = this._answers[question];
      const said = answer ? test.answers[answer] : test.open;
      return el(
        "li",
        {},
        el(
          "button",
          { type: "button", class: "given-one", "aria-pressed": String(this._asking === question), "aria-label": test.change(test.questions[question], said), onclick: () => this._ask(question) },
          el("span", { class: "given-name" }, test.short[question]),
          el("span", { class: "given-answer" }, answer ? shape(SHAPES[answer], 18) : null, said),
        ),
      );
    });
    fill(this._given, el("ul", { "aria-label": test.answered }, given));
    this._drawPad();
  }

  _drawPad() {
    const { test } = words.walk;
    if (this._busy) return fill(this._pad, el("p", { class: "pad-said", role: "status" }, this._busy));
    if (this._skipping) return fill(this._pad, this._skipForm());
    const asking = this._asking;
    return fill(this._pad, asking ? this._question(asking) : this._onwards(), this._moves());
  }

  _question(question) {
    const { test } = words.walk;
    const first = QUESTIONS.every((one) => !this._answers[one]);
    return el(
      "div",
      { class: "question", role: "group", "aria-labelledby": "walk-question" },
      el("div", { class: "question-row" }, el("h2", { id: "walk-question" }, test.questions[question]), first ? el("button", { type: "button", class: "plain", "data-do": "all", onclick: () => this._all() }, test.all) : null),
      el(
        "div",
        { class: "answers" },
        Object.entries(test.answers).map(([answer, name]) =>
          el("button", { type: "button", class: "answer", "data-answer": answer, "aria-pressed": String(this._answers[question] === answer), onclick: () => this._answer(question, answer) }, shape(SHAPES[answer], 22), name),
        ),
      ),
    );
  }

  _onwards() {
    const { test } = words.walk;
    const others = this._document.left.filter((name) => name !== this._now.position);
    return el("div", { class: "question" }, el("p", { class: "small" }, test.pauseSource), el("button", { type: "button", class: "primary onwards", "data-do": "next", onclick: () => this._next() }, others.length ? test.next : test.last));
  }

  _moves() {
    const { test } = words.walk;
    const first = this._document.positions.indexOf(this._now.position) === 0;
    const move = (name, to, work, disabled = false) => el("button", { type: "button", "data-do": to, disabled, onclick: work }, name);
    return el("div", { class: "moves" }, move(test.backOne, "back", () => this._walk.go("back"), first), move(test.skip, "skip", () => this._skip(true)), move(test.pause, "pause", () => this._walk.pause()));
  }

  _skipForm() {
    const { test } = words.walk;
    const why = el("input", { id: "walk-why", type: "text", maxlength: 300, autocomplete: "off" });
    const form = el(
      "form",
      { class: "question", onsubmit: (event) => (event.preventDefault(), this._skipped(why.value)) },
      el("h2", {}, test.skipTitle(plain(this._now.position, 60))),
      el("label", { for: "walk-why" }, test.skipWhy),
      why,
      el("div", { class: "moves" }, el("button", { type: "button", onclick: () => this._skip(false) }, test.skipNo), el("button", { type: "submit", class: "primary", "data-do": "skip-yes" }, test.skipYes)),
    );
    return form;
  }

  _skip(yes) {
    this._skipping = yes;
    this._drawPad();
    this._pad.querySelector(yes ? "input" : '[data-do="skip"]')?.focus();
  }

  _skipped(why) {
    this._skipping = false;
    this._walk.go("skip", { why: why.trim() });
  }

  _ask(question) {
    this._asking = question;
    this._drawAnswers();
    this._pad.querySelector(".answer")?.focus({ preventScroll: true });
  }

  _answer(question, answer) {
    this._answers[question] = answer;
    this._keep();
    this._asking = this._open();
    this._drawAnswers();
    const next = this._asking ? words.walk.test.questions[this._asking] : words.walk.test.pauseSource;
    say(`${words.walk.test.short[question]}: ${words.walk.test.answers[answer]}. ${next}`);
    this._pad.querySelector(this._asking ? ".answer" : ".onwards")?.focus({ preventScroll: true });
  }

  _all() {
    for (const question of QUESTIONS) this._answers[question] = "yes";
    this._keep();
    this._asking = "";
    this._drawAnswers();
    this._pad.querySelector(".onwards")?.focus({ preventScroll: true });
  }

  _next() {
    const measured = this._fields.read();
    if (measured === null) return;
    this._walk.go("next", { answers: { ...pick(this._answers, QUESTIONS), ...measured } });
  }

  _keep() {
    keepDraft(this._document, this._answers);
  }

  /** Notes and measured values: `read()` gives them for the daemon, or nothing where one is wrong, which is told. */
  _drawFields() {
    const { test } = words.walk;
    const ohm = this._now.expected_ohm;
    const named = instrument();
    const kept = (name) => (event) => {
      this._answers[name] = event.target.value;
      this._keep();
    };
    const input = (name, value, options = {}) => el("input", { id: `walk-${name}`, type: "text", value, maxlength: 200, autocomplete: "off", oninput: kept(name), ...options });
    const notes = el("textarea", { id: "walk-notes", rows: 3, maxlength: LONGEST_NOTES, oninput: kept("notes") }, this._answers.notes ?? "");
    const level = input("level_db", this._answers.level_db ?? "", { inputmode: "decimal" });
    const impedance = ohm === null ? null : input("impedance_ohm", this._answers.impedance_ohm ?? "", { inputmode: "decimal" });
    const name = input("instrument", this._answers.instrument ?? named.instrument);
    const serial = input("instrument_serial", this._answers.instrument_serial ?? named.instrument_serial);
    const wrong = el("p", { class: "wrong", role: "alert" });
    const field = (label, control) => (control ? el("div", { class: "field" }, el("label", { for: control.id }, label), control) : null);
    const node = el(
      "details",
      { open: Boolean(this._answers.notes || this._answers.level_db || this._answers.impedance_ohm) },
      el("summary", {}, test.measure),
      el("div", { class: "measure" }, field(test.notes, notes), field(test.measuredLevel, level), impedance ? field(test.impedance(Number(ohm.toPrecision(4))), impedance) : null, field(test.instrument, name), field(test.serial, serial), wrong),
    );
    const tell = (control, text) => {
      node.open = true;
      wrong.textContent = text;
      control.focus();
      return null;
    };
    const read = () => {
      wrong.textContent = "";
      const given = { notes: notes.value.trim() };
      for (const control of [level, impedance].filter(Boolean)) {
        const value = numberOf(control.value);
        const least = control === impedance ? 0 : -Infinity;
        if (value !== null && !(Number.isFinite(value) && value > least)) return tell(control, test.numberWrong);
        given[control === level ? "level_db" : "impedance_ohm"] = value;
      }
      if (given.level_db === null && (given.impedance_ohm ?? null) === null) return given;
      const used = { instrument: name.value.trim(), instrument_serial: serial.value.trim() };
      if (!used.instrument) return tell(name, test.instrumentWrong);
      keepInstrument(used);
      return { ...given, ...used };
    };
    return { node, read };
  }
}

function numberOf(text) {
  const typed = text.trim().replace(",", ".").replace("\u2212", "-");
  return typed === "" ? null : Number(typed);
}

function measuredOf(heard) {
  const text = (value) => (value === null || value === undefined ? "" : String(value));
  return heard ? { level_db: text(heard.level_db), impedance_ohm: text(heard.impedance_ohm), ...(heard.instrument ? pick(heard, ["instrument", "instrument_serial"]) : {}) } : {};
}

function pick(from, names) {
  return Object.fromEntries(names.filter((name) => from?.[name]).map((name) => [name, from[name]]));
}

function roomForPlan() {
  return window.matchMedia("(min-height: 46rem), (min-width: 60rem)").matches;
}
