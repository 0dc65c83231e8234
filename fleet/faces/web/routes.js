// Which page an address names, and for whom it is.

/** The pages, in the order in which they are offered, with the roles that they are for. */
export const PAGES = {
  rooms: ["integrator", "operator", "auditor"],
  differences: ["integrator", "auditor"],
  walk: ["integrator"],
  devices: ["integrator", "auditor"],
  changes: ["integrator", "auditor"],
  snapshots: ["integrator", "auditor"],
  access: ["integrator", "auditor"],
};
const IN_ROOM = { positions: "position", groups: "group" };

/** Which page an address is about: `name` is a page's, `parts` what follows it, decoded. */
export function routeOf(url) {
  const parts = url.pathname.split("/").filter(Boolean).map(decoded);
  const [first = "rooms", ...rest] = parts;
  if (first === "sign-in") return { name: "sign-in", parts: rest, query: url.searchParams, path: url.pathname };
  const name = first === "rooms" ? roomPage(rest) : Object.hasOwn(PAGES, first) ? first : "";
  return { name, parts: rest, query: url.searchParams, path: url.pathname };
}

function roomPage(rest) {
  if (rest.length === 0) return "rooms";
  if (rest.length === 1) return "room";
  if (rest.length === 2) return "position";
  return rest.length === 3 && Object.hasOwn(IN_ROOM, rest[1]) ? IN_ROOM[rest[1]] : "";
}

/** A part of an address as a person reads it. */
export function decoded(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}
