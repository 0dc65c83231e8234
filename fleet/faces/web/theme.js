// Runs before anything is drawn, so that a chosen theme does not flash.
(function () {
  let chosen = null;
  try {
    chosen = localStorage.getItem("theme");
  } catch {
    // a browser that keeps nothing has the theme of its system
  }
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
})();
