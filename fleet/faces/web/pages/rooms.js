// All rooms, each with its sentence.

import { at, sentence } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock, words } from "../words.js";

const SOON_MS = 300;

/** Draw the page into `main`, and keep it as the daemon tells. */
export async function show(main, route, context) {
  const { api, live, signal } = context;
  const lead = el("p", { class: "lead" });
  const list = el("ul", { class: "rooms" });
  const rows = new Map();
  let zone = context.zone;
  let timer = 0;
  context.title(words.rooms.title);

  async function look() {
    const document = await api.get("/rooms", { signal });
    zone = document.time_zone ?? zone;
    draw(document.rooms);
  }

  function lookSoon() {
    clearTimeout(timer);
    timer = setTimeout(() => look().catch(() => {}), SOON_MS);
  }

  function draw(rooms) {
    const right = rooms.filter((room) => room.same).length;
    const some = right === rooms.length ? words.rooms.lead.all : words.rooms.lead.some(right, rooms.length);
    fill(lead, rooms.length ? some : [words.rooms.lead.none, " ", words.rooms.noneRemedy]);
    for (const name of [...rows.keys()]) {
      if (!rooms.some((room) => room.room === name)) {
        rows.get(name).item.remove();
        rows.delete(name);
      }
    }
    for (const [index, room] of rooms.entries()) {
      const text = JSON.stringify(room);
      const known = rows.get(room.room);
      if (known?.text === text) continue;
      const link = roomLink(room, zone);
      // What is focused stays focused while its words change under it.
      if (known) {
        if (known.words !== room.words) say(`${plain(room.name)}: ${plain(room.words, 300)}`);
        fill(known.link, ...link.childNodes);
        Object.assign(known, { text, words: room.words });
        continue;
      }
      const item = el("li", {}, link);
      rows.set(room.room, { item, link, text, words: room.words });
      list.insertBefore(item, list.children[index] ?? null);
    }
  }

  await look();
  fill(main, el("div", { class: "head" }, el("h1", {}, words.rooms.title), lead), list);
  live.listen(({ kind }) => !["state", "begin"].includes(kind) && lookSoon(), signal);
  signal.addEventListener("abort", () => clearTimeout(timer));
}

function roomLink(room, zone) {
  return el(
    "a",
    { class: "room-link", href: `/rooms${at(room.room)}` },
    el("span", { class: "room-name" }, told(room.name)),
    mark(room.state, told(sentence(room.words), 300)),
    el("span", { class: "room-more" }, more(room, zone)),
  );
}

function more(room, zone) {
  const seen = Object.values(room.last_seen ?? {}).filter(Boolean).sort();
  const away = Object.keys(room.last_seen ?? {}).length;
  return [
    room.mode_words ? el("span", {}, told(room.mode_words)) : null,
    room.hold ? mark("held", told(room.hold.words)) : null,
    room.guest ? mark("guest", told(room.guest.words)) : null,
    away && seen.length && !/last seen/.test(room.words) ? el("span", {}, words.rooms.lastSeen(clock(seen[0], zone))) : null,
    el("span", {}, words.rooms.positions(room.positions)),
  ];
}
