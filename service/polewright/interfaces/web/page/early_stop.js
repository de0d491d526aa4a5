// STOP before the page's own scripts have come, which are several files over a line that may be slow:
// it is asked for at once, and page.js takes it from there.

addEventListener("click", (event) => {
  const root = document.documentElement;
  const stop = event.target.closest?.("#stop");
  if (!stop || "ready" in root.dataset) return;
  root.dataset.stopAsked = "";
  stop.classList.add("busy");
  let key = new URLSearchParams(location.hash.slice(1)).get("key"); // see link.js
  try {
    key ??= localStorage.getItem("polewright.key");
  } catch {
    // Private windows may forbid it.
  }
  const path = key ? `/api/stop?key=${encodeURIComponent(key)}` : "/api/stop";
  const headers = { "Content-Type": "application/json" };
  fetch(path, { method: "POST", headers, body: "{}", keepalive: true }).catch(() => {});
});
