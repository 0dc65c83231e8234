// What stands above every page: the venue, who is signed in, the choice of light or dark, and the ways to the pages.

import { el, fill, told } from "./dom.js";
import { PAGES } from "./routes.js";
import { words } from "./words.js";

const THEMES = ["system", "light", "dark"];

/** Draw it for a session, or for nobody; `page` is the one that is shown. */
export function drawTop(session, page, signOut) {
  const top = document.getElementById("top");
  if (session === null) return fill(top, el("div", { class: "top-row" }, el("span"), themeChoice()));
  const name = el("a", { class: "venue", href: "/rooms" }, session.venue ? told(session.venue, 40) : words.shell.pages.rooms);
  const links = Object.entries(PAGES)
    .filter(([, roles]) => roles.includes(session.role))
    .map(([key]) =>
      el("li", {}, el("a", { href: `/${key}`, "aria-current": key === page ? "page" : null }, words.shell.pages[key])),
    );
  return fill(
    top,
    el(
      "div",
      { class: "top-row" },
      name,
      el(
        "div",
        { class: "you" },
        el("span", { class: "you-name" }, told(session.name, 40), ` · ${words.shell.roles[session.role] ?? ""}`),
        themeChoice(),
        el("button", { type: "button", class: "plain", onclick: signOut }, words.shell.signOut),
      ),
      links.length > 1 ? el("nav", { "aria-label": words.shell.navigation }, el("ul", {}, links)) : null,
    ),
  );
}

function themeChoice() {
  const chosen = document.documentElement.dataset.theme ?? "system";
  const options = THEMES.map((theme) =>
    el("option", { value: theme, selected: theme === chosen }, words.shell.themes[theme]),
  );
  return el("select", { class: "theme", "aria-label": words.shell.theme, onchange: (event) => chooseTheme(event.target.value) }, options);
}

function chooseTheme(theme) {
  if (theme === "system") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
  try {
    localStorage.setItem("theme", theme);
  } catch {
    // it holds as long as this page is open
  }
}
