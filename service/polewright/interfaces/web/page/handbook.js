// The handbook's day and night, shared with the page. Runs before the first paint: no white flash.

const root = document.documentElement;

function remembered() {
  try {
    return localStorage.getItem("polewright.theme");
  } catch {
    return null;
  }
}

function setTheme(theme) {
  root.dataset.theme = theme;
  const button = document.getElementById("theme");
  if (button) {
    button.textContent = theme === "night" ? "Day" : "Night";
    button.setAttribute("aria-pressed", String(theme === "night"));
  }
}

function change() {
  const theme = root.dataset.theme === "night" ? "day" : "night";
  setTheme(theme);
  try {
    localStorage.setItem("polewright.theme", theme);
  } catch {
    // Private windows may forbid it; the choice then lasts as long as the page.
  }
}

setTheme(remembered() ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "day"));
addEventListener("DOMContentLoaded", () => {
  setTheme(root.dataset.theme);
  document.getElementById("theme").addEventListener("click", change);
});
addEventListener("keydown", (event) => {
  if (event.key.toLowerCase() === "d" && !event.ctrlKey && !event.metaKey && !event.altKey) change();
});
