// Who is signed in now, by token, and signing them out everywhere.

import { at } from "../api.js";
import { el, plain, say, told } from "../dom.js";
import { mark } from "../marks.js";
import { clock, words } from "../words.js";
import { confirm } from "./confirm.js";
import { moment, Said } from "./facts.js";
import { Table } from "./table.js";

const said = words.access.signedIn;

/** What to show, and `look`, which asks anew who is signed in. */
export async function signedInNodes(context) {
  const { api, signal, zone, session } = context;
  const wrong = new Said(session.role);
  const columns = [
    { name: said.columns.name, head: true, cell: ([first]) => told(first.name, 60) },
    { name: said.columns.role, cell: ([first]) => words.shell.roles[first.role] ?? plain(first.role) },
    { name: said.columns.where, cell: (browsers) => el("ul", {}, browsers.map(browser)) },
    { name: said.columns.used, cell: (browsers) => moment(browsers[0].last_used, zone) },
  ];
  if (context.can("integrator")) columns.push({ name: said.columns.act, quiet: true, cell: outButton });
  const list = new Table(said.caption, columns, ([first]) => first.token, { shown: false, none: said.none });
  const others = el("button", { type: "button", onclick: othersOut }, said.others);
  const buttons = el("p", { hidden: true }, others);
  await look();
  return { look, nodes: [el("p", { class: "quiet" }, said.hint), wrong.node, list.node, buttons] };

  async function look() {
    const { sessions } = await api.get("/sessions", { signal });
    const byToken = new Map();
    for (const one of sessions) byToken.set(one.token, [...(byToken.get(one.token) ?? []), one]);
    list.show([...byToken.values()]);
    buttons.hidden = !context.can("integrator") || sessions.every((one) => one.yours);
  }

  function browser(one) {
    return el("li", {}, told(one.source, 60), el("span", { class: "quiet small" }, `, ${said.since(clock(one.began, zone))}`, one.yours ? ` · ${said.yours}` : ""));
  }

  function outButton(browsers) {
    const [first] = browsers;
    const name = plain(first.name, 60);
    const self = browsers.some((one) => one.yours) ? el("p", {}, mark("person", said.outSelf)) : null;
    const button = el("button", { type: "button", "aria-label": said.outOf(name) }, said.out);
    button.addEventListener("click", () =>
      end(button, { title: said.outTitle, body: [el("p", {}, told(name, 60)), el("p", {}, said.outMeans), self], yes: said.outYes }, `/access${at(first.token, "sign-out")}`),
    );
    return button;
  }

  function othersOut() {
    return end(others, { title: said.othersTitle, body: el("p", {}, said.othersMeans), yes: said.othersYes }, "/sessions/end");
  }

  async function end(button, asking, path) {
    if (!(await confirm({ ...asking, no: words.lists.cancel, signal }))) return button.focus();
    wrong.clear();
    try {
      const { ended } = await api.post(path, { who: session.name });
      say(said.done(ended));
      await look();
    } catch (problem) {
      if (!signal.aborted) wrong.problem(problem);
    }
  }
}
