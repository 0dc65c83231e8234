// The page's frame: who is signed in, which page the address names, and what stands around it.

import { Api, Problem, problemWords } from "./api.js";
import { el, fill, plain, say } from "./dom.js";
import { Live } from "./live.js";
import { mark } from "./marks.js";
import { PAGES, decoded, routeOf } from "./routes.js";
import { showSignIn } from "./sign-in.js";
import { drawTop } from "./top.js";
import { clock, words } from "./words.js";

const main = document.getElementById("main");
const api = new Api();
const live = new Live(isAlive);
let session = null;
let leaving = new AbortController();

async function start() {
  const why = await takeTokenOfAddress();
  api.onSignedOut = () => signedOut(words.signIn.ended);
  // A code that is opened in a window of ours loads no document anew.
  window.addEventListener("popstate", async () => show({ why: await takeTokenOfAddress() }));
  document.addEventListener("click", followInside);
  live.listen(({ kind }) => kind === "state" && drawBanner());
  fill(document.getElementById("safety"), el("p", {}, words.shell.safety));
  if (session === null) await readSession();
  await show({ first: true, why });
}

/** A code on a card leads to /sign-in#TOKEN. */
function tokenOfAddress() {
  return location.pathname === "/sign-in" ? decoded(location.hash.slice(1)) : "";
}

/** Sign in by the address: the token leaves it before anything else happens. What was wrong, in words, or nothing. */
async function takeTokenOfAddress() {
  const token = tokenOfAddress();
  if (!token) return "";
  history.replaceState(null, "", "/sign-in");
  await readSession();
  if (session !== null) await api.remove("/session").catch(() => {});
  session = null;
  api.forget();
  fill(main, el("p", { class: "quiet" }, words.signIn.signingIn));
  const wrong = await signIn(token);
  if (!wrong) history.replaceState(null, "", "/rooms");
  return wrong;
}

/** Sign in with a token; what was wrong, in words, or nothing. */
async function signIn(token) {
  try {
    await api.post("/session", { token });
    await readSession();
    return session === null ? words.problems.page : "";
  } catch (problem) {
    return signInWords(problem);
  }
}

function signInWords(problem) {
  if (!(problem instanceof Problem)) return words.problems.page;
  if (problem.status === 429) return words.signIn.tooOften(problem.retryAfter);
  return problem.status === 401 || problem.status === 422 ? words.signIn.wrong : problemWords(problem);
}

async function readSession() {
  try {
    session = await api.get("/session");
    api.csrf = session.csrf ?? "";
  } catch (problem) {
    session = null;
    if (!(problem instanceof Problem) || problem.status !== 401) {
      drawProblem(problem);
      throw problem;
    }
  }
}

async function isAlive() {
  try {
    await api.get("/session", { signal: AbortSignal.timeout(5_000) });
    return true;
  } catch (problem) {
    if (problem.status === 401) signedOut(words.signIn.ended);
    return false;
  }
}

async function signOut() {
  await api.remove("/session").catch(() => {});
  signedOut(words.signIn.signedOut);
}

function signedOut(why) {
  if (session === null) return;
  session = null;
  api.forget();
  live.stop();
  const from = location.pathname;
  history.replaceState({ from }, "", "/sign-in");
  show({ why });
}

/** Draw the page that the address names. */
async function show({ first = false, why = "" } = {}) {
  leaving.abort();
  leaving = new AbortController();
  const { signal } = leaving;
  let route = routeOf(new URL(location.href));
  if (session === null) {
    const from = route.name === "sign-in" ? history.state?.from : `${location.pathname}${location.search}`;
    history.replaceState({ from }, "", "/sign-in");
    drawSignIn(why);
    return;
  }
  if (route.name === "sign-in" || location.pathname === "/") {
    history.replaceState(null, "", history.state?.from ?? "/rooms");
    route = routeOf(new URL(location.href));
  }
  live.start();
  const page = ["room", "position", "group"].includes(route.name) ? "rooms" : route.name;
  drawTop(session, page, signOut);
  drawBanner();
  document.body.dataset.role = session.role;
  document.body.dataset.page = route.name;
  if (!page || !PAGES[page].includes(session.role)) {
    drawEnd(page ? words.shell.notYours(session.role) : words.shell.nothing);
  } else {
    await drawPage(route, signal);
  }
  if (!first && !signal.aborted) focusHeading();
}

async function drawPage(route, signal) {
  delete main.dataset.waits;
  fill(main, el("p", { class: "quiet" }, words.shell.loading));
  const context = { session, api, live, go, signal, zone: session.time_zone ?? "", title: setTitle, can: (role) => session.role === role };
  setTitle(words.shell.pages[route.name] ?? words.shell.pages.rooms);
  try {
    const { show: showPage } = await import(`./pages/${route.name}.js`);
    await showPage(main, route, context);
  } catch (problem) {
    if (signal.aborted) return;
    // A part of the page that cannot be fetched is a daemon that does not answer, like anything else of it.
    const away = live.since !== null && !(problem instanceof Problem) ? new Problem(0) : problem;
    if (!(away instanceof Problem)) console.error(problem);
    if (session !== null) drawProblem(away);
  }
}

function drawSignIn(why = "") {
  delete document.body.dataset.role;
  document.body.dataset.page = "sign-in";
  drawTop(session, "", signOut);
  drawBanner();
  setTitle(words.signIn.title);
  showSignIn(main, {
    why,
    signIn: async (token) => {
      const wrong = await signIn(token);
      if (wrong) return wrong;
      history.replaceState(null, "", history.state?.from ?? "/rooms");
      await show();
      return "";
    },
  });
}

function drawBanner() {
  const banner = document.getElementById("banner");
  const away = session !== null && live.since !== null;
  document.body.dataset.live = away ? "no" : "yes";
  if (!away && !banner.hasChildNodes()) return;
  if (!away) say(words.shell.liveAgain);
  if (!away && main.dataset.waits === "true") location.reload();
  fill(banner, away ? el("p", {}, mark("unknown", words.shell.notLive(clock(live.since, session?.time_zone)))) : null);
}

function drawProblem(problem) {
  const noVenue = problem instanceof Problem && problem.status === 409 && /no venue|load/i.test(problem.message);
  const text = noVenue ? words.shell.noVenue : problemWords(problem, session?.role);
  drawEnd(text, el("button", { type: "button", class: "secondary", onclick: again }, words.shell.again));
  main.dataset.waits = String(problem.status === 0);
}

/** Load this page anew, if there is anything to load it from: else a browser would end on a page of its own. */
async function again() {
  if (await isAlive()) location.reload();
  else if (session !== null) say(words.problems.noAnswer);
}

function drawEnd(text, more = null) {
  setTitle(text);
  fill(main, el("section", { class: "end" }, el("h1", {}, plain(text, 400)), el("p", {}, more ?? el("a", { href: "/rooms" }, words.shell.toRooms))));
}

/** Go to another page of ours. */
function go(path, { replace = false } = {}) {
  history[replace ? "replaceState" : "pushState"](null, "", path);
  return show();
}

function followInside(event) {
  if (event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const link = event.target.closest?.("a[href]");
  const href = link?.getAttribute("href") ?? "";
  if (!href.startsWith("/") || /^\/(v1|web)\//.test(href) || link.hasAttribute("download") || link.target) return;
  event.preventDefault();
  go(href);
  window.scrollTo(0, 0);
}

function focusHeading() {
  const heading = main.querySelector("h1");
  if (heading === null) return;
  heading.setAttribute("tabindex", "-1");
  heading.focus({ preventScroll: true });
}

function setTitle(text) {
  const name = session?.venue ? ` · ${plain(session.venue, 40)}` : "";
  document.title = `${plain(text, 80)}${name}`;
}

await start();
