// A group: the curves of its positions, one chosen among the others.

import { at } from "../api.js";
import { el, fill, plain, told } from "../dom.js";
import { mark } from "../marks.js";
import { furthest } from "../parts/curves.js";
import { part } from "../parts/facts.js";
import { ResponsePlot } from "../parts/plot.js";
import { gain, hertz } from "../parts/scales.js";
import { words } from "../words.js";
import { whenItMoves } from "./position.js";

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const [room, , group] = route.parts;
  const { api, signal } = context;
  const read = () =>
    Promise.all([
      api.get(at("rooms", room), { signal }),
      api.get(at("rooms", room, "responses"), { query: { group, points_per_decade: 40 }, signal }),
    ]);
  const [first, curves] = await read();
  context.title(group);
  const page = pageOf(main, first, group);
  page(first, curves);
  whenItMoves(context, { room: first.room }, async () => page(...(await read())));
}

function pageOf(main, { room, name }, group) {
  const plot = new ResponsePlot("chain");
  const members = el("ul", { class: "members" });
  const chosenName = el("h2", {});
  let chosen = "";
  let document_ = null;
  const lead = el("p", { class: "lead" });
  fill(
    main,
    el("div", { class: "head" }, el("p", { class: "trail" }, el("a", { href: at("rooms", room) }, told(name))), el("h1", {}, told(group)), lead),
    el("div", { class: "position-columns" }, el("section", { class: "part" }, chosenName, plot.node, el("p", { class: "quiet small" }, words.group.others)), part(words.group.members, el("p", { class: "quiet" }, words.group.choose), members)),
  );
  function choose(position) {
    chosen = position;
    fill(chosenName, told(position));
    plot.show(document_, position);
    for (const button of members.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.position === position));
  }
  return (roomDocument, curves) => {
    document_ = curves;
    const states = new Map(roomDocument.positions.map((one) => [one.position, one.state]));
    lead.textContent = words.group.lead(curves.positions.length);
    fill(members, curves.positions.map((one) => member(one, curves, states.get(one.position), room, choose)));
    const known = curves.positions.some((one) => one.position === chosen);
    if (curves.positions.length) choose(known ? chosen : curves.positions[0].position);
  };
}

function member(one, curves, state, room, choose) {
  const { wanted_chain_db: wanted, reported_chain_db: reported } = one;
  const apart = wanted && reported ? furthest(curves.frequencies_hz, wanted, reported, one.passband_hz) : null;
  const said = apart === null ? words.plot.nothing : apart.by < 0.05 ? words.plot.together : words.plot.furthest(gain(apart.by).replace("+", ""), hertz(apart.hz));
  return el(
    "li",
    {},
    el("button", { type: "button", class: "choose", "data-position": one.position, "aria-pressed": "false", onclick: () => choose(one.position) }, el("span", { class: "choose-name" }, told(one.position)), el("span", { class: "small quiet" }, said)),
    el("span", { class: "member-more" }, mark(state ?? "unknown"), el("a", { href: at("rooms", room, "positions", one.position), "aria-label": `${words.group.open} ${plain(one.position)}` }, words.group.open)),
  );
}
