// The line to the service: a stream of events, polling where the stream does not come through,
// and requests that tell a problem as {code, message, advice}.

import { say } from "./language.js";

const BEAT_MS = 1500; // the service sends a sign of life this often
const DOUBT_MS = BEAT_MS + 500; // one is missing: it is asked
export const SILENT_MS = 2 * BEAT_MS + 400; // two are missing, and no answer to that: no contact
const POLL_MS = 1000;
const TRY_AGAIN_MS = 4000;
const ANSWER_MS = 10000;

// The half of this browser's secret that no other port of that computer is ever sent: the cookie is.
let key = new URLSearchParams(location.hash.slice(1)).get("key");
try {
  if (key) localStorage.setItem("polewright.key", key);
  else key = localStorage.getItem("polewright.key");
} catch {
  // Private windows may forbid it; the link then opens the page until it is left.
}
if (location.hash.startsWith("#key=")) history.replaceState(null, "", location.pathname);

/** Whether another tab was given a new key since; it is this one's then. */
function anotherKey() {
  const old = key;
  try {
    key = localStorage.getItem("polewright.key") ?? key;
  } catch {
    // As above: nothing was kept.
  }
  return key !== old;
}

/** The path with this browser's key, as everything about the rig is asked for. */
export const keyed = (path) => (key ? `${path}${path.includes("?") ? "&" : "?"}key=${encodeURIComponent(key)}` : path);

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

/** Ask the service; no request waits for ever, or a dead line would say nothing. */
async function asked(path, options, limitMs) {
  try {
    const once = () => fetch(keyed(path), { cache: "no-store", signal: AbortSignal.timeout(limitMs), ...options });
    let response = await once();
    if (response.status === 401 && anotherKey()) response = await once();
    return await answered(response);
  } catch (problem) {
    if (problem instanceof Problem) throw problem;
    const late = problem.name === "TimeoutError";
    throw new Problem(0, { message: late ? say("no answer within {limit} s", { limit: limitMs / 1000 }) : say("the service cannot be reached") });
  }
}

export const ask = (path, limitMs = ANSWER_MS) => asked(path, {}, limitMs);

export const tell = (path, body = {}, limitMs = ANSWER_MS) =>
  asked(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), keepalive: true }, limitMs);

/** Whether two snapshots are of the same run. One that is taken up again keeps its session's id and
 * counts its versions anew. */
export const sameRun = (a, b) => a?.session_id === b?.session_id && a?.began_utc_s === b?.began_utc_s;

/** The service's time, from what it tells of it now and then. In a rehearsal it runs fast. */
export class ServiceTime {
  constructor() {
    Object.assign(this, { utc: 0, at: 0, rate: 1, rates: [], since: null });
  }

  /** It is `utc` (Unix seconds) now, at `at` by this page's timer, s. */
  sync(utc, at = performance.now() / 1000) {
    this.since ??= [utc, at];
    const took = at - this.since[1];
    if (took >= 1) {
      // The middle one of some: a clock that was set, or a phone that slept while its timer stood
      // still, makes one of them wrong and not how old everything seems from then on.
      this.rates = [...this.rates.slice(-8), (utc - this.since[0]) / took];
      const middle = [...this.rates].sort((a, b) => a - b)[(this.rates.length - 1) >> 1];
      if (this.rates.length > 1) this.rate = Math.abs(middle - 1) < 0.2 ? 1 : Math.max(0.1, middle);
      this.since = [utc, at];
    }
    Object.assign(this, { utc, at });
  }

  /** Real seconds since then; less than 0: until then. */
  elapsed(utc, at = performance.now() / 1000) {
    return (this.utc - utc) / this.rate + at - this.at;
  }
}

export class Link {
  /** onSnapshot(snapshot), onTime(utc_s), onState("live" | "polling" | "lost" | "locked") */
  constructor({ onSnapshot, onTime, onState }) {
    Object.assign(this, { onSnapshot, onTime, onState });
    this.heard = 0; // by the stream
    this.polled = 0; // by asking
    this.asking = 0;
    this.looked = 0;
    this.wall = Date.now();
    this.state = "";
    setInterval(() => this.look(), 200);
    document.addEventListener("visibilitychange", () => document.hidden || this.look());
    window.addEventListener("online", () => this.open());
    this.open();
  }

  set(state) {
    if (state !== this.state) this.onState((this.state = state));
  }

  /** Keep a snapshot, for what glances change in it; not one that was overtaken on its way. */
  take(snapshot) {
    if (sameRun(this.last, snapshot) && snapshot.version < this.last.version) return;
    this.last = snapshot;
    this.onSnapshot(snapshot);
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    const source = (this.source = new EventSource(keyed("/api/session/events")));
    source.addEventListener("snapshot", (event) => {
      this.heard = performance.now();
      this.set("live");
      this.take(JSON.parse(event.data));
    });
    source.addEventListener("moving", (event) => {
      this.heard = performance.now();
      this.set("live");
      const part = JSON.parse(event.data);
      if (this.last?.session_id === part.session_id && part.version > this.last.version) this.take({ ...this.last, ...part });
    });
    source.addEventListener("heartbeat", (event) => {
      this.heard = performance.now();
      this.set("live");
      this.onTime(JSON.parse(event.data).utc_s);
    });
  }

  /** Is the stream alive? If not, ask, tell whether there is contact, and try to open it again. */
  look() {
    const now = performance.now();
    // The timer of some devices stands still while they sleep: then nothing seems to be old.
    const slept = Date.now() - this.wall - (now - this.looked);
    Object.assign(this, { wall: Date.now(), looked: now });
    if (slept > SILENT_MS) {
      this.heard = this.polled = this.asking = 0;
      if (this.state !== "locked") this.set("lost");
      this.open();
    }
    if (this.heard && now - this.heard < DOUBT_MS) return;
    if (now - Math.max(this.heard, this.polled) > SILENT_MS && this.state !== "locked") this.set("lost");
    if (now - this.opened > TRY_AGAIN_MS + SILENT_MS) this.open();
    if (now - this.asking > POLL_MS) this.poll();
  }

  async poll() {
    this.asking = performance.now();
    try {
      const snapshot = await ask("/api/session", 2 * POLL_MS);
      this.polled = performance.now();
      if (this.polled - this.heard > DOUBT_MS) this.set("polling");
      this.take(snapshot);
    } catch (problem) {
      if (problem.status === 401) this.set("locked");
    }
  }
}
