// The daemon's API as this page uses it: JSON, problems as `Problem`, and what did not change is not sent again.

import { words } from "./words.js";

const MOST_KEPT = 100;
const PATIENCE_MS = 40_000;

/** What the API answered instead of what was asked for, or that it did not answer (`status` 0). */
export class Problem extends Error {
  constructor(status, document = {}, retryAfter = 0) {
    super(document.detail ?? words.problems.noAnswer);
    this.name = "Problem";
    this.status = status;
    this.kind = document.title ?? "";
    this.where = document.where ?? "";
    this.remedy = document.remedy ?? "";
    this.guards = document.guards ?? [];
    /** Seconds to wait before the next try; 0 where nothing was said. */
    this.retryAfter = retryAfter;
  }
}

export class Api {
  constructor() {
    this.csrf = "";
    this.onSignedOut = () => {};
    this._kept = new Map();
  }

  /** A document. `query` members that are null are left out. */
  async get(path, { query = {}, signal } = {}) {
    return (await this.getWithHeaders(path, { query, signal })).document;
  }

  /** A document and the headers of its answer. */
  async getWithHeaders(path, { query = {}, signal } = {}) {
    const url = withQuery(path, query);
    const kept = this._kept.get(url);
    const headers = kept ? { "If-None-Match": kept.etag } : {};
    const answer = await this._ask(url, { headers, signal });
    if (answer.status === 304 && kept) return { document: kept.document, headers: answer.headers };
    const document = await read(answer);
    this._keep(url, answer.headers.get("ETag"), document);
    return { document, headers: answer.headers };
  }

  /** Every entry of a list that comes in pages: `member` of each page, as long as there is a `next`. */
  async all(path, member, { query = {}, signal, most = 5_000 } = {}) {
    const found = [];
    let page = query;
    while (page !== null && found.length < most) {
      const document = await this.get(path, { query: page, signal });
      found.push(...document[member]);
      page = document.next ? { ...query, after: document.next } : null;
    }
    return found;
  }

  /** Ask for something that may change something. */
  async post(path, body = {}, { signal, headers = {} } = {}) {
    return read(await this._send("POST", path, body, { signal, headers }));
  }

  /** Take something away. */
  async remove(path, { signal } = {}) {
    return read(await this._send("DELETE", path, null, { signal }));
  }

  /** Forget everything that was read: somebody else may sit here now. */
  forget() {
    this._kept.clear();
    this.csrf = "";
  }

  _send(method, path, body, { signal, headers = {} }) {
    const sent = { "Content-Type": "application/json", ...headers };
    if (this.csrf) sent["Fleet-CSRF"] = this.csrf;
    return this._ask(withQuery(path), { method, headers: sent, body: body === null ? null : JSON.stringify(body), signal });
  }

  async _ask(url, options) {
    const stopping = new AbortController();
    const stop = () => stopping.abort();
    const patience = setTimeout(stop, PATIENCE_MS);
    options.signal?.addEventListener("abort", stop);
    if (options.signal?.aborted) stop();
    const { signal } = stopping;
    let answer;
    try {
      answer = await fetch(url, { ...options, signal, credentials: "same-origin", cache: "no-store", redirect: "error" });
    } catch (error) {
      if (options.signal?.aborted) throw error;
      throw new Problem(0);
    } finally {
      clearTimeout(patience);
      options.signal?.removeEventListener("abort", stop);
    }
    if (answer.ok || answer.status === 304) return answer;
    const seconds = Number(answer.headers.get("Retry-After")) || 0;
    const problem = new Problem(answer.status, await readable(answer), seconds);
    if (answer.status === 401 && !url.endsWith("/v1/session")) this.onSignedOut(problem);
    throw problem;
  }

  _keep(url, etag, document) {
    this._kept.delete(url);
    if (!etag) return;
    this._kept.set(url, { etag, document });
    if (this._kept.size > MOST_KEPT) this._kept.delete(this._kept.keys().next().value);
  }
}

/** A path of the API with names in it, each escaped. */
export function at(...parts) {
  return `/${parts.map((part) => encodeURIComponent(part)).join("/")}`;
}

/** A problem in words for this role: what, and what to do where that is something a page can do. */
export function problemWords(problem, role = "") {
  if (!(problem instanceof Problem)) return words.problems.page;
  if (problem.status === 0) return words.problems.noAnswer;
  const known = words.problems.byStatus[problem.status];
  if (known) return known;
  const typed = /`|--/.test(problem.remedy) && role !== "integrator";
  return [problem.message, typed ? words.problems.askIntegrator : problem.remedy]
    .filter(Boolean)
    .map((text) => sentence(text))
    .join(" ");
}

/** What the daemon says for this role, as a sentence: only an integrator is told which command to type. */
export function sentenceFor(role, text) {
  const command = String(text ?? "").indexOf("`");
  if (role === "integrator" || command < 0) return sentence(text);
  return [sentence(text.slice(0, command).replace(/[\s:;,(]+$/, "")), words.problems.askIntegrator].filter(Boolean).join(" ");
}

/** Words as a sentence: a capital first, a full stop last. */
export function sentence(text) {
  const trimmed = String(text ?? "").trim();
  if (!trimmed) return "";
  const [first] = trimmed;
  return `${first.toLocaleUpperCase()}${trimmed.slice(first.length)}${/[.?!…]$/.test(trimmed) ? "" : "."}`;
}

function withQuery(path, query = {}) {
  const parameters = new URLSearchParams();
  for (const [name, value] of Object.entries(query)) {
    for (const one of Array.isArray(value) ? value : [value]) {
      if (one !== null && one !== undefined && one !== "") parameters.append(name, one);
    }
  }
  const text = parameters.toString();
  return `/v1${path}${text ? `?${text}` : ""}`;
}

async function read(answer) {
  if (answer.status === 204) return {};
  try {
    return await answer.json();
  } catch {
    throw new Problem(answer.status, { detail: words.problems.unreadable });
  }
}

async function readable(answer) {
  try {
    return await answer.json();
  } catch {
    return {};
  }
}
