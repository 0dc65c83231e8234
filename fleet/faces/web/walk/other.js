// A walk that this screen does not answer now: another one leads it, or its position could not be made ready.

import { problemWords } from "../api.js";
import { el, fill, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { words } from "../words.js";

/** Another screen leads the walk. */
export function showOther(place, leading, walk, { trouble }) {
  const { other, test } = words.walk;
  const number = walk.positions.indexOf(walk.at) + 1;
  fill(
    place,
    el("div", { class: "head" }, el("p", { class: "test-number" }, number ? test.number(number, walk.positions.length) : null), el("h1", {}, told(other.leads(plain(walk.led_by || walk.who, 60)), 160))),
    el("section", { class: "part" }, el("p", { class: "lead" }, walk.now ? told(other.here(plain(walk.now.position, 60)), 160) : other.none), el("p", {}, other.heard(walk.heard.length, walk.positions.length)), wrong(trouble), el("p", { class: "quiet" }, other.hint), el("div", { class: "buttons" }, el("button", { type: "button", "data-do": "take", onclick: () => leading.takeOver() }, other.take))),
  );
}

/** Nothing sounds, though the walk goes on: before its first position, or after one that failed. */
export function showFailed(place, leading, walk, { trouble }) {
  const { failed, test } = words.walk;
  const button = (name, to, work, style = null) => el("button", { type: "button", class: style, "data-do": to, onclick: work }, name);
  const here = walk.at !== "";
  fill(
    place,
    el("div", { class: "head" }, el("h1", {}, here ? told(walk.at) : failed.first), here ? el("p", { class: "lead" }, failed.title) : null),
    el(
      "section",
      { class: "part" },
      wrong(trouble),
      here ? el("p", {}, failed.words) : null,
      el(
        "div",
        { class: "buttons" },
        here ? button(failed.again, "repeat", () => leading.go("repeat"), "primary") : button(failed.go, "next", () => leading.go("next"), "primary"),
        here ? button(test.skip, "skip", () => leading.go("skip", { why: trouble ? trouble.message.slice(0, 300) : "" })) : null,
        button(test.pause, "pause", () => leading.pause()),
      ),
    ),
  );
}

function wrong(trouble) {
  return trouble ? el("p", { class: "panel abnormal", role: "alert" }, mark("person", told(problemWords(trouble, "integrator"), 600))) : null;
}
