// Builds elements. Text goes in as text and nothing else: there is no way from here to parse a string as HTML.

const SVG = "http://www.w3.org/2000/svg";
const LONGEST = 120;
// Controls, and the marks that turn text around: what comes from the network must not reorder what stands beside it.
const UNSEEN = /[\u0000-\u001f\u007f-\u009f\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]/gu;

/** An HTML element. An attribute that is null or false is left out; `on…` functions are listeners. */
export function el(name, attributes = {}, ...children) {
  return filled(document.createElement(name), attributes, children);
}

/** The same of SVG. */
export function svg(name, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, name), attributes, children);
}

/** Text that somebody else wrote: isolated from the text around it, bounded, and without what cannot be seen. */
export function told(text, longest = LONGEST) {
  return el("bdi", {}, plain(text, longest));
}

/** The same as a string, for attributes and labels. */
export function plain(text, longest = LONGEST) {
  const seen = String(text ?? "").replace(UNSEEN, "\ufffd");
  const signs = Array.from(seen.slice(0, 2 * longest + 2));
  return signs.length > longest ? `${signs.slice(0, longest - 1).join("")}…` : signs.join("");
}

/** Put these children in the place of what a node holds. */
export function fill(node, ...children) {
  node.replaceChildren(...children.flat(Infinity).filter(there).map(asNode));
  return node;
}

/** Tell it to whoever listens instead of looking. */
export function say(text) {
  const said = document.getElementById("said");
  said.textContent = "";
  requestAnimationFrame(() => (said.textContent = text));
}

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) {
      if (typeof value !== "function") throw new TypeError(`${name} is no function`);
      node.addEventListener(name.slice(2).toLowerCase(), value);
    } else if (name === "style") {
      throw new TypeError("styles are classes");
    } else {
      if ((name === "href" || name === "src") && !/^[/#](?!\/)/.test(value)) throw new TypeError(`${value} leads away`);
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...children.flat(Infinity).filter(there).map(asNode));
  return node;
}

function there(child) {
  return child !== null && child !== undefined && child !== false && child !== "";
}

function asNode(child) {
  return child instanceof Node ? child : document.createTextNode(String(child));
}
