// Differences: what is not as it should be, what was not checked, and from there to putting it right.

import { at } from "../api.js";
import { el, fill, plain, say } from "../dom.js";
import { mark } from "../marks.js";
import { Chosen } from "../parts/chosen.js";
import { differenceTables, notCheckedTable, notesList } from "../parts/differences.js";
import { part } from "../parts/facts.js";
import { showPlanning } from "../parts/planning.js";
import { timeOfDay, words } from "../words.js";

const said = words.differences;
const NO_AUDIBLE = "life_safety";

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const { api, live, signal, zone } = context;
  const asked = { room: route.query.get("room") ?? "", all: route.query.get("all") === "1" };
  const head = el("div", { class: "head" }, el("h1", {}, said.title), el("p", { class: "lead", role: "status" }, said.looking));
  const body = el("div", { class: "differences" });
  const stale = el("div", { class: "stale", role: "status" });
  const venue = await api.get("/rooms", { signal });
  const titles = new Map(venue.rooms.map((room) => [room.room, room.name]));
  let drawn = null;

  context.title(said.title);
  fill(main, head, filters(), stale, body);
  live.listen(({ kind }) => {
    if (["drift", "room", "change", "gap"].includes(kind) && drawn && stale.isConnected) tellStale();
  }, signal);
  await look();

  async function look() {
    fill(stale);
    fill(body, el("p", { class: "quiet" }, said.looking));
    const found = await api.get("/diff", { query: { room: asked.room || null }, signal });
    drawn = new Date();
    draw(found);
  }

  function draw(found) {
    const shown = { ...found, differences: found.differences.filter((one) => asked.all || one.agreed || one.grade !== "slight") };
    const chosen = context.can("integrator") ? new Chosen(shown, venue.rooms, drawBar) : null;
    const bar = chosen ? el("section", { class: "bar", "aria-label": said.plan }) : null;
    const lead = head.querySelector(".lead");
    fill(lead, leadOf(found));
    say(lead.textContent);
    fill(
      body,
      context.can("integrator") ? null : el("p", { class: "quiet" }, said.reader),
      differenceTables(shown, { titles, chosen }),
      found.not_checked.length ? part(said.notChecked, el("p", { class: "quiet" }, said.notCheckedHint), notCheckedTable(found.not_checked, titles, zone)) : null,
      asked.all && found.notes.length ? part(said.notes, notesList(found.notes)) : null,
      el("p", { class: "quiet small" }, said.asOf(timeOfDay(drawn, zone))),
      bar,
    );
    drawBar();

    function drawBar() {
      if (bar === null) return;
      bar.hidden = shown.differences.length === 0;
      const agreed = shown.differences.some((one) => one.agreed && chosen.has(one.room, one.position));
      const wrong = chosen.problem;
      const also = el("input", { type: "checkbox", checked: chosen.alsoAgreed });
      also.addEventListener("change", () => (chosen.alsoAgreed = also.checked));
      const button = el("button", { type: "button", class: "primary", disabled: chosen.count === 0 || wrong !== "" }, said.plan);
      button.addEventListener("click", () => plan(chosen));
      fill(
        bar,
        el("p", { role: "status" }, chosen.count ? said.chosen(chosen.count, chosen.rooms.length) : said.nothingChosen, wrong ? [" ", wrong] : null),
        agreed && chosen.rooms.length === 1 ? el("label", { class: "tick" }, also, el("span", {}, said.alsoAgreed)) : null,
        button,
      );
    }
  }

  function plan(chosen) {
    const rooms = chosen.rooms;
    const back = { title: said.planTitle, leave: () => context.go(`${location.pathname}${location.search}`, { replace: true }) };
    return rooms.length === 1 ? planChange(chosen.asked(rooms[0]), back) : planRound(rooms, back);
  }

  function planChange(wanted, back) {
    const body_ = { kind: "apply", ...wanted, who: context.session.name };
    return showPlanning(main, context, {
      ...back,
      look: async () => [{ room: wanted.room, plan: await api.post("/plans", body_, { signal }) }],
      begin: async ([{ plan: shown }], how) => {
        const begun = await api.post("/changes", { ...body_, digest: shown.digest, ...how });
        await context.go(`/changes${at(begun.id)}`);
      },
    });
  }

  function planRound(rooms, back) {
    return showPlanning(main, context, {
      ...back,
      trial: false,
      look: async () => {
        const round = await api.post("/rounds/plan", { kind: "apply" }, { signal });
        return round.rooms.filter((one) => rooms.includes(one.room)).map((one) => ({ ...one, title: titles.get(one.room) }));
      },
      begin: async (entries, { allow, why }) => {
        const digests = Object.fromEntries(entries.map((one) => [one.room, one.plan?.digest ?? ""]));
        const begun = await api.post("/rounds", { kind: "apply", digests, allow, why, who: context.session.name });
        await context.go(`/changes/rounds${at(begun.id)}`);
      },
    });
  }

  function filters() {
    const room = el(
      "select",
      { id: "room" },
      el("option", { value: "" }, said.everyRoom),
      venue.rooms.map((one) => el("option", { value: one.room, selected: one.room === asked.room }, plain(one.name, 60))),
    );
    const all = el("input", { type: "checkbox", checked: asked.all });
    room.addEventListener("change", () => goTo({ ...asked, room: room.value }));
    all.addEventListener("change", () => goTo({ ...asked, all: all.checked }));
    return el(
      "div",
      { class: "filters" },
      el("div", { class: "field" }, el("label", { for: "room" }, said.room), room),
      el("label", { class: "tick" }, all, el("span", {}, said.all)),
      el("button", { type: "button", onclick: () => look() }, said.again),
    );
  }

  function goTo({ room, all }) {
    const query = new URLSearchParams({ ...(room ? { room } : {}), ...(all ? { all: "1" } : {}) }).toString();
    context.go(`/differences${query ? `?${query}` : ""}`);
  }

  function tellStale() {
    if (stale.hasChildNodes()) return;
    fill(stale, el("p", {}, mark("waits", said.moved)));
  }
}

function leadOf(found) {
  const { lead } = said;
  const counting = found.differences.filter((one) => !one.agreed && one.grade !== "slight");
  const positions = new Set(counting.map((one) => `${one.room}/${one.position}`)).size;
  const { serious, audible } = found.counts;
  const away = found.not_checked.filter((one) => one.reason !== NO_AUDIBLE).length;
  const state = serious ? "serious" : counting.length ? "differs" : away ? "away" : "right";
  const first = counting.length ? lead.differ(lead.counts(serious, audible, 0), positions) : lead.same;
  const rest = [lead.checked(found.checked), found.not_checked.length ? lead.notChecked(found.not_checked.length) : "", found.agreed ? lead.agreed(found.agreed) : ""];
  return [mark(state, first), " ", el("span", { class: "quiet" }, `${rest.filter(Boolean).join(", ")}.`)];
}

