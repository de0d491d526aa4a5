// The line to the service: a stream of events, polling where the stream does not come through,
// and requests that tell a problem as {code, message, advice}.

import { say } from "./language.js";

const SILENT_MS = 6500; // the service sends a sign of life every two seconds
const POLL_MS = 1000;
const TRY_AGAIN_MS = 4000;

export class Problem extends Error {
  constructor(status, body) {
    super(body.message || say("the service answered with status {status}", { status }));
    this.status = status;
    this.advice = body.advice || "";
    this.code = body.code || "";
  }
}

async function answered(response) {
  const body = await response.json().catch(() => ({}));
  if (!response.ok) throw new Problem(response.status, body);
  return body;
}

export async function ask(path) {
  return answered(await fetch(path, { cache: "no-store" }));
}

export async function tell(path, body = {}) {
  return answered(await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), keepalive: true }));
}

export class Link {
  /** onSnapshot(snapshot), onTime(utc_s), onState("live" | "polling" | "lost" | "locked") */
  constructor({ onSnapshot, onTime, onState }) {
    Object.assign(this, { onSnapshot, onTime, onState });
    this.heard = 0;
    this.state = "";
    setInterval(() => this.look(), 1000);
    document.addEventListener("visibilitychange", () => document.hidden || this.look());
    window.addEventListener("online", () => this.open());
    this.open();
  }

  set(state) {
    if (state !== this.state) this.onState((this.state = state));
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    const source = (this.source = new EventSource("/api/session/events"));
    source.addEventListener("snapshot", (event) => {
      this.heard = performance.now();
      this.set("live");
      this.onSnapshot(JSON.parse(event.data));
    });
    source.addEventListener("heartbeat", (event) => {
      this.heard = performance.now();
      this.set("live");
      this.onTime(JSON.parse(event.data).utc_s);
    });
  }

  /** Once a second: is the stream alive? If not, poll, and try to open it again now and then. */
  async look() {
    const quiet = performance.now() - this.heard;
    if (this.heard && quiet < SILENT_MS) return;
    if (performance.now() - this.opened > Math.max(TRY_AGAIN_MS, SILENT_MS)) this.open();
    if (this.asking) return;
    this.asking = true;
    const timeout = AbortSignal.timeout(3 * POLL_MS);
    try {
      const snapshot = await answered(await fetch("/api/session", { cache: "no-store", signal: timeout }));
      if (performance.now() - this.heard > SILENT_MS || !this.heard) this.set("polling");
      this.onSnapshot(snapshot);
    } catch (problem) {
      this.set(problem.status === 401 ? "locked" : "lost");
    } finally {
      this.asking = false;
    }
  }
}
