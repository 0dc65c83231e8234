// Asking once before something that is not to be done by mistake, in the browser's own dialog.

import { el } from "../dom.js";

let number = 0;

/** Whether somebody agreed. Escape, and leaving the page, is no. */
export function confirm({ title, body, yes, no, signal }) {
  const id = `confirm-${(number += 1)}`;
  const heading = el("h2", { tabindex: "-1", id }, title);
  return new Promise((resolve) => {
    const dialog = el(
      "dialog",
      { "aria-labelledby": id },
      el(
        "div",
        { class: "ask" },
        heading,
        body,
        el(
          "div",
          { class: "buttons" },
          el("button", { type: "button", class: "primary", onclick: () => dialog.close("yes") }, yes),
          el("button", { type: "button", onclick: () => dialog.close("") }, no),
        ),
      ),
    );
    const leave = () => dialog.close("");
    signal?.addEventListener("abort", leave);
    dialog.addEventListener("close", () => {
      signal?.removeEventListener("abort", leave);
      dialog.remove();
      resolve(dialog.returnValue === "yes");
    });
    document.body.append(dialog);
    dialog.showModal();
    heading.focus();
  });
}
