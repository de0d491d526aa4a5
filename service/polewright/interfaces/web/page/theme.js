// Day and night on every page. The choice lies in a cookie that the service reads, so that the very
// first bytes of a page carry it. A plain script in the head: it runs before anything is painted.

(() => {
  const root = document.documentElement;
  const YEAR_S = 31536000;

  /** Put the look on the page; `keep` it where the reader chose it. */
  function show(theme, dim, keep) {
    root.dataset.theme = theme;
    root.dataset.dim = dim;
    root.style.setProperty("--dim", dim / 100);
    const paper = getComputedStyle(root).getPropertyValue("--paper");
    document.querySelector("meta[name=theme-color]").content = paper;
    document.querySelector("meta[name=color-scheme]").content = theme === "night" ? "dark" : "light";
    document.getElementById("theme")?.setAttribute("aria-pressed", String(theme === "night"));
    if (keep) document.cookie = `polewright_look=${theme}.${dim}; path=/; max-age=${YEAR_S}; samesite=lax`;
    document.dispatchEvent(new CustomEvent("look"));
  }

  const other = () => show(root.dataset.theme === "night" ? "day" : "night", root.dataset.dim, true);

  // Nobody chose yet: the page came dark, and becomes light where the Sun is up and the device is light.
  if ("sunUp" in root.dataset && matchMedia("(prefers-color-scheme: light)").matches) show("day", "0", false);

  addEventListener("DOMContentLoaded", () => {
    show(root.dataset.theme, root.dataset.dim, false);
    document.getElementById("theme")?.addEventListener("click", other);
    const dim = document.getElementById("dim");
    if (!dim) return;
    dim.value = root.dataset.dim;
    dim.addEventListener("input", () => show(root.dataset.theme, dim.value, true));
  });
  addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "d" || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    if (!event.target.matches?.("input:not([type=checkbox]):not([type=range])")) other();
  });
})();
