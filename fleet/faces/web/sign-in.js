// Signing in with a token, typed or from a code (see `takeTokenOfAddress` in app.js).

import { el, fill, say } from "./dom.js";
import { words } from "./words.js";

/** Draw the form. `signIn(token)` gives what was wrong in words, or nothing; `why` says why it is shown. */
export function showSignIn(main, { why, signIn }) {
  const said = el("p", { class: "wrong", id: "sign-in-said", role: "alert" }, why);
  const token = el("input", {
    id: "token",
    name: "token",
    type: "password",
    autocomplete: "current-password",
    autocapitalize: "off",
    autocorrect: "off",
    spellcheck: "false",
    required: true,
    maxlength: 500,
    "aria-describedby": "token-hint sign-in-said",
  });
  const button = el("button", { type: "submit", class: "primary" }, words.signIn.button);
  const form = el(
    "form",
    { class: "sign-in", novalidate: true },
    el("label", { for: "token" }, words.signIn.token),
    el("p", { class: "quiet", id: "token-hint" }, words.signIn.hint),
    token,
    said,
    button,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (button.disabled) return;
    const typed = token.value.trim();
    if (!typed) {
      said.textContent = words.signIn.empty;
      token.focus();
      return;
    }
    button.disabled = true;
    said.textContent = "";
    say(words.signIn.signingIn);
    const wrong = await signIn(typed);
    if (!wrong) return;
    button.disabled = false;
    said.textContent = wrong;
    token.select();
    token.focus();
  });
  fill(main, el("section", { class: "sign-in-page" }, el("h1", {}, words.signIn.title), form));
}
