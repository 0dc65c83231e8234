// Access and audit: who may do what, and what was done.

import { at } from "../api.js";
import { el, fill, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { auditNodes } from "../parts/audit.js";
import { confirm } from "../parts/confirm.js";
import { moment, names, part, Said } from "../parts/facts.js";
import { signedInNodes } from "../parts/signed-in.js";
import { Table } from "../parts/table.js";
import { words } from "../words.js";

const said = words.access;
const MARKS = { good: "right", expired: "retired", revoked: "retired" };

const LOOPBACK = /^(localhost|127\.\d+\.\d+\.\d+|\[::1\])$/;

/** Draw the page into `main`. */
export async function show(main, route, context) {
  const { api, signal, zone, session } = context;
  const wrong = new Said(session.role);
  const columns = [
    { name: said.columns.name, head: true, cell: (row) => [told(row.name, 60), row.kind === "tablet" ? ` (${said.kinds.tablet})` : null] },
    { name: said.columns.role, cell: (row) => words.shell.roles[row.role] ?? plain(row.role) },
    { name: said.columns.rooms, cell: (row) => (row.rooms.length ? names(row.rooms) : said.allRooms) },
    { name: said.columns.state, cell: (row) => [mark(MARKS[row.state] ?? "unknown", said.states[row.state] ?? plain(row.state)), endedBy(row)] },
    { name: said.columns.made, cell: (row) => [moment(row.made_at, zone), ` ${said.by} `, told(row.made_by, 60)] },
    { name: said.columns.expires, cell: (row) => moment(row.expires, zone) },
    { name: said.columns.used, cell: (row) => moment(row.last_used, zone) ?? said.neverUsed },
  ];
  if (context.can("integrator")) columns.push({ name: said.columns.act, quiet: true, cell: revokeButton });
  const list = new Table(said.caption, columns, (row) => row.id, { shown: false, none: said.none });

  context.title(said.title);
  const signedIn = await signedInNodes(context);
  await look();
  fill(
    main,
    el("div", { class: "head" }, el("h1", {}, said.title), el("p", { class: "lead" }, said.lead)),
    part(
      said.who,
      el("ul", { class: "points quiet" }, Object.entries(said.roleMeans).map(([role, means]) => el("li", {}, words.shell.roles[role], ": ", means))),
      wrong.node,
      list.node,
      context.can("integrator") ? howMade() : null,
    ),
    part(said.signedIn.title, signedIn.nodes),
    el("section", { class: "part", id: "audit" }, el("h2", {}, said.audit), await auditNodes(route.query.get("who") ?? "", context)),
  );
  if (location.hash === "#audit") document.getElementById("audit").scrollIntoView();

  async function look() {
    list.show((await api.get("/access", { signal })).tokens);
  }

  function endedBy(row) {
    return row.revoked_at ? el("div", { class: "quiet small" }, moment(row.revoked_at, zone), ` ${said.by} `, told(row.revoked_by, 60)) : null;
  }

  function revokeButton(row) {
    if (row.state !== "good") return null;
    const button = el("button", { type: "button", "aria-label": said.revokeOf(plain(row.name, 60)) }, said.revoke);
    button.addEventListener("click", async () => {
      const mine = row.name === session.name ? el("p", {}, mark("person", said.revokeSelf)) : null;
      const body = [el("p", {}, told(row.name, 60), ", ", words.shell.roles[row.role] ?? plain(row.role)), el("p", {}, said.revokeMeans), mine];
      if (!(await confirm({ title: said.revokeTitle, body, yes: said.revokeYes, no: words.lists.cancel, signal }))) return button.focus();
      try {
        await api.post(`/access${at(row.id, "revoke")}`, { who: session.name });
        say(said.revoked);
        await Promise.all([look(), signedIn.look()]);
      } catch (problem) {
        if (!signal.aborted) wrong.problem(problem);
      }
    });
    return button;
  }
}

/** Tokens are made on the daemon's machine alone, and these are the words for it. */
function howMade() {
  const { make } = said;
  const alone = LOOPBACK.test(location.hostname);
  const url = alone ? "URL" : location.origin;
  return el(
    "details",
    { class: "how-made" },
    el("summary", {}, make.title),
    el("p", {}, make.lead),
    el("p", {}, make.person),
    el("p", {}, el("code", {}, make.personCommand)),
    el("p", { class: "quiet small" }, make.personHint),
    el("p", {}, make.tablet),
    el("p", {}, el("code", {}, make.tabletCommand(url))),
    alone ? el("p", { class: "quiet small" }, make.alone) : null,
  );
}
