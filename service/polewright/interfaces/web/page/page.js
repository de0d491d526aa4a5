// The page: shows what the service tells and passes on what is pressed. It decides nothing.

import { Announcer } from "./announcer.js";
import { Awake } from "./awake.js";
import { say, sayCount, sayDocument } from "./language.js";
import { Link, ServiceTime, ask, keyed, sameRun, tell } from "./link.js";
import { ErrorPicture } from "./picture.js";
import { Plate } from "./plate.js";
import { Tone, Voice, buzz } from "./sound.js";
import { ENDED, angleText, clockTime, figures, lost, now, passScale, progressWords, sentenceCase, stepWords, stopConfirmed } from "./words.js";

sayDocument();

const $ = (id) => document.getElementById(id);
const body = document.body;

function text(id, value) {
  const element = $(id);
  if (element.textContent !== value) element.textContent = value;
}

const PAGE_NAMED = /`(polewright handbook ([a-z-]+))`/;

/** Write a message; where it names a page of the handbook it leads there. */
function message(id, value) {
  const element = $(id);
  if (element.dataset.message === value) return;
  element.dataset.message = value;
  const parts = [];
  let rest = value;
  for (let found = PAGE_NAMED.exec(rest); found; found = PAGE_NAMED.exec(rest)) {
    const link = document.createElement("a");
    link.href = `/handbook/${found[2]}`;
    link.target = "_blank";
    link.textContent = found[1];
    parts.push(rest.slice(0, found.index), link);
    rest = rest.slice(found.index + found[0].length);
  }
  element.replaceChildren(...parts, rest);
}

function list(element, items) {
  if (element.dataset.items === JSON.stringify(items)) return;
  element.dataset.items = JSON.stringify(items);
  element.replaceChildren(...items.map((item) => Object.assign(document.createElement("li"), { textContent: item })));
}

// -- time: how old is the reading? -------------------------------------------------------------

const time = new ServiceTime();
const sync = (utc) => time.sync(utc);
const elapsed = (utc) => time.elapsed(utc);
const age = (utc) => Math.max(0, elapsed(utc));

const staleAfter = (s) => 12 + 3 * (s.frame?.exposure_s ?? 4);

// -- showing -----------------------------------------------------------------------------------

let shown = null;
let linkState = "lost";
const picture = new ErrorPicture($("error-picture"), $("picture-words"));
const plate = new Plate($);
const tone = new Tone();
const voice = new Voice();
const announcer = new Announcer($("said"));

function show(s) {
  if (sameRun(s, shown) && s.version < shown.version) return;
  const was = shown;
  if (!sameRun(s, was)) stopping.confirmed = false;
  shown = s;
  if (was && was.version !== s.version) sync(s.utc_s);
  else if (!time.utc) sync(s.utc_s);
  body.dataset.step = s.step;
  text("where", stepWords(s));
  showNow(s);
  showProgress(s);
  if (s.error !== was?.error || s.advice !== was?.advice || s.moving !== was?.moving) picture.draw(s);
  showFigures(s);
  showOutcome(s);
  showFrame(s);
  showChart(s);
  showNotes(s);
  showControls(s, was);
  // For whoever measures how quick the page is.
  body.dataset.reading = s.error ? s.error.utc_s : "";
  body.dataset.version = s.version;
  body.dataset.shownMs = Date.now();
}

/** The newest reading: a glance of an axis that is being turned, or a full frame's. */
const newest = (s) => s.moving ?? s.error;

const pass = { key: "", scale: null };

/** Unit and decimals stay from the first advice of a pass to its end. */
function scaleOf(s) {
  const key = `${s.session_id}.${s.sweeps}`;
  if (pass.key !== key && s.advice?.heading) Object.assign(pass, { key, scale: passScale(s) });
  return pass.key === key ? pass.scale : passScale(s);
}

function faceOf(s) {
  if (linkState === "lost") return [lost(), false];
  if (stopping.confirmed && !ENDED.has(s.step)) return [stopConfirmed(stopping.words), false];
  const late = s.step === "adjusting" && s.error && s.error.state !== "measured" && age(newest(s).utc_s) > staleAfter(s);
  const fresh = !late && linkState !== "locked";
  const left_s = s.sweep_ends_utc_s ? Math.max(0, -elapsed(s.sweep_ends_utc_s)) : null;
  return [now(s, fresh, left_s, scaleOf(s)), fresh];
}

let face = null;

function showNow(s) {
  const was = face;
  const [n, fresh] = faceOf(s);
  face = n;
  body.dataset.mode = n.mode;
  message("sentence", n.sentence);
  const left = s.error && fresh ? 1 - age(newest(s).utc_s) / staleAfter(s) : 0;
  plate.show(n, s, { seconds: s.error ? age(newest(s).utc_s) : null, left, scale: scaleOf(s), rate: time.rate });
  message("long-text", n.long);
  list($("cautions"), n.cautions);
  announcer.tell(n);
  const more = Boolean(n.long || n.cautions.length);
  $("why").hidden = !more;
  if (!more && !$("long").hidden) toggleLong();
  const a = s.advice;
  const audible = s.step === "adjusting" && fresh && !s.paused && a?.tone_hz && linkState !== "lost";
  tone.follow(audible ? { hz: a.tone_hz, period: a.beat_period_s, past: a.passed } : null);
  voice.speak(n.said);
  if (was) buzz(was, n);
}

function toggleLong() {
  $("long").hidden = !$("long").hidden;
  $("why").setAttribute("aria-expanded", String(!$("long").hidden));
}

function showProgress(s) {
  const p = s.progress;
  // Between two frames the last words stay, or everything below would jump up and down.
  $("progress").hidden = linkState === "lost" || ENDED.has(s.step) || (!p && s.step !== "adjusting");
  if (!p) return;
  const [words, share] = progressWords(p);
  text("progress-text", words);
  if (share === null) $("bar").removeAttribute("value");
  else $("bar").value = share;
}

function showFigures(s) {
  $("figures").hidden = !s.error;
  if (!s.error) return;
  for (const [id, [value, note]] of Object.entries(figures(s.error))) {
    $(id).querySelector("b").textContent = value;
    $(id).querySelector("span").textContent = note;
  }
  const hand = s.step === "adjusting" ? s.advice?.axis : null;
  $("f-alt").classList.toggle("hand", hand === "altitude");
  $("f-az").classList.toggle("hand", hand === "azimuth");
  showAge();
}

/** From what to what, how sure, and in how many minutes. */
function showOutcome(s) {
  $("outcome").hidden = s.step !== "finished" || !s.error;
  if ($("outcome").hidden) return;
  text("o-before", angleText(s.before_arcmin ?? s.error.total_arcmin));
  text("o-after", angleText(s.error.total_arcmin));
  text("o-sure", say("under {bound}", { bound: angleText(s.error.upper95_arcmin) }));
  const minutes = ((s.ended_utc_s ?? s.utc_s) - (s.began_utc_s ?? s.utc_s)) / 60;
  text("o-time", sayCount("{minutes} min, {count} sweep", "{minutes} min, {count} sweeps", s.sweeps, { minutes: minutes < 9.5 ? minutes.toFixed(1) : minutes.toFixed(0) }));
  $("to-history").href = keyed("/api/history.html");
}

function showAge() {
  const s = shown;
  if (!s?.error) return;
  const words = { measured: say("measured by the sweep"), settled: say("settled"), settling: say("settling"), moving: say("moving"), lost: say("lost") };
  const seconds = age(s.error.utc_s);
  const old = seconds < 100 ? `${seconds.toFixed(0)} s` : `${(seconds / 60).toFixed(0)} min`;
  const values = { time: clockTime(s.error.utc_s), age: old, state: words[s.error.state] ?? s.error.state };
  const reading = ENDED.has(s.step) ? say("Reading of {time}: {state}.", values) : say("Reading of {time}, {age} old: {state}.", values);
  text("reading", `${reading} ${say("Settled moves: {moves}. Sweeps: {sweeps}.", { moves: s.moves, sweeps: s.sweeps })}`);
}

let frameAsked = "";

function showFrame(s) {
  const f = s.frame;
  if (!f) return;
  const shape = [sayCount("{count} star", "{count} stars", f.star_count), f.solved ? say("solved") : "", f.hfd_px ? say("HFD {hfd} px", { hfd: f.hfd_px.toFixed(1) }) : "", `${f.exposure_s} s`, f.elongation && innerWidth >= 600 ? say("elongation {elongation}", { elongation: f.elongation.toFixed(2) }) : ""].filter(Boolean).join(", ");
  text("frame-words", say("Frame {number}: {facts}.", { number: f.number, facts: shape }));
  const size = Math.min(1200, Math.max(200, 100 * Math.ceil($("frame").clientWidth * devicePixelRatio / 100)));
  const want = `/api/session/frame.jpg?stars=${$("rings").checked ? 1 : 0}&px=${size}&n=${s.session_id}.${f.number}`;
  if (want === frameAsked || document.hidden) return;
  frameAsked = want;
  load($("frame-img"), want, sayCount("Last frame, {count} star found", "Last frame, {count} stars found", f.star_count));
}

const coming = new Map(); // what is to follow the picture that is under way, by element

/** Swap a picture only when the new one is whole. One at a time: a browser has six lines to a
 * service, and STOP needs one of them however slow they are. */
function load(img, source, alt) {
  if (coming.has(img)) {
    coming.set(img, [source, alt]);
    return;
  }
  coming.set(img, null);
  const next = new Image();
  const over = () => {
    const then = coming.get(img);
    coming.delete(img);
    if (then) load(img, ...then);
  };
  next.onload = () => {
    img.src = next.src;
    img.alt = alt;
    img.hidden = false;
    over();
  };
  next.onerror = over;
  next.src = keyed(source);
}

let chartAsked = "";

function showChart(s) {
  // Until there is an error to draw, the sky stands in the dial's place.
  $("chart").hidden = Boolean(s.error) || !s.plan;
  if (!s.plan || $("chart").hidden) return;
  const want = `/api/session/chart.svg?theme=${document.documentElement.dataset.theme}&n=${s.session_id}.${s.sweeps}.${s.plan.azimuths_deg.join(",")}`;
  if (want === chartAsked) return;
  chartAsked = want;
  const sigma = s.plan.predicted_sigma_arcsec;
  text("chart-words", sigma ? sayCount("{count} point, expected uncertainty {sigma}.", "{count} points, expected uncertainty {sigma}.", s.plan.azimuths_deg.length, { sigma: angleText(sigma / 60) }) : sayCount("{count} point.", "{count} points.", s.plan.azimuths_deg.length));
  load($("chart-img"), want, sayCount("Sky chart with a sweep of {count} point, north up, east left", "Sky chart with a sweep of {count} points, north up, east left", s.plan.azimuths_deg.length));
}

function showNotes(s) {
  list($("note-list"), s.notes.slice(-30).reverse());
  text("note-count", s.notes.length ? `(${s.notes.length})` : "");
  text("air", s.result?.weather ? say("Air, for refraction: {source}.", { source: s.result.weather.source }) : "");
  text("session-id", s.session_id ? say("Session {id}", { id: s.session_id }) : "");
}

/** One large button for what is to be done next, and what must stay in sight beside it; the rest
 * lies behind one. */
function arrange(s) {
  const ended = ENDED.has(s.step);
  const adjusting = s.step === "adjusting";
  const usable = {
    go: ended, "accept-site": ended && s.failure?.code === "mount_contradicts", "take-up": ended && interrupted,
    report: s.step === "finished", sweep: adjusting, pause: adjusting, "note-turns": adjusting,
    snugged: adjusting && s.advice?.action === "snug_and_recheck",
  };
  const wanted = usable[face.main] ? face.main : ended ? "go" : adjusting ? "sweep" : "";
  const sight = [wanted, ...face.beside].filter(Boolean);
  for (const [id, can] of Object.entries(usable)) {
    const button = $(id);
    button.hidden = !can;
    const place = sight.includes(id) ? $("main-act") : $("others");
    if (button.parentElement !== place) {
      const held = document.activeElement === button;
      place.append(button);
      if (held) button.focus();
    }
    button.classList.toggle("main", id === wanted && face.calls);
  }
  const more = Object.entries(usable).some(([id, can]) => can && !sight.includes(id));
  $("other").hidden = !more;
  if (!more) openOthers(false);
}

function openOthers(open) {
  $("others").hidden = !open;
  $("other").setAttribute("aria-expanded", String(open));
}

function showControls(s, was) {
  const ended = ENDED.has(s.step);
  const adjusting = s.step === "adjusting";
  $("start").hidden = !ended || s.step === "finished";
  $("picture").hidden = !s.error;
  $("small").hidden = !s.error && !s.frame && !s.plan;
  arrange(s);
  const told = adjusting && $("snugged").dataset.told === String(s.error?.utc_s);
  $("snugged").disabled = told;
  text("snugged", told ? say("CHECKING") : say("SNUGGED"));
  text("pause", s.paused ? say("GO ON") : say("PAUSE"));
  text("sweep", s.offer ? say("TAKE THE OFFERED SWEEP") : say("NEW SWEEP"));
  text("go", s.step === "idle" ? say("START") : say("START AGAIN"));
  awake.want(!ended);
  if (was && was.step !== s.step) {
    if (!adjusting) close($("turns"));
    close($("ask"));
    openOthers(false);
    if (!ended) $("alarm").hidden = true;
  }
  if (ended && (!was || was.step !== s.step)) offerResume();
  // Filled in once: whoever empties it must not find it filled behind his back.
  if (!$("tolerance").dataset.filled) {
    $("tolerance").dataset.filled = "yes";
    $("tolerance").value ||= s.tolerance_arcmin;
  }
}

/** Told once, the button waits for a reading that was taken after it. */
async function tellSnugged() {
  const reading = shown?.error?.utc_s;
  if (await send("/api/session/snugged")) {
    $("snugged").dataset.told = reading;
    showControls(shown, shown);
  }
}

let interrupted = false;

async function offerResume() {
  try {
    interrupted = (await ask("/api/sessions")).some((one) => one.interrupted);
  } catch {
    interrupted = false;
  }
  if (shown && face) arrange(shown);
}

// -- telling -----------------------------------------------------------------------------------

function alarm(words, bad) {
  $("alarm").className = bad ? "bad" : "good";
  message("alarm", words);
  $("alarm").hidden = false;
}

async function send(path, data) {
  try {
    show(await tell(path, data));
    $("alarm").hidden = true;
    return true;
  } catch (problem) {
    alarm(`${problem.message}. ${problem.advice ?? ""}`, true);
    return false;
  }
}

// -- STOP: confirmed, or said not to be, within two seconds -------------------------------------

const STOP_TRY_MS = 2000;
const STOP_TOLD_MS = 1800; // what is not confirmed by then is said not to be
// confirmed: the motion of the run that is shown was stopped; it takes a moment longer to end.
const stopping = { on: false, tries: 0, began: 0, answer: "", confirmed: false, words: "", late: 0 };
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function stopNow() {
  close($("ask"));
  close($("turns"));
  if (stopping.on) return; // it is tried again every two seconds anyway
  Object.assign(stopping, { on: true, tries: 0, began: performance.now(), answer: "" });
  $("stop").classList.add("busy");
  alarm(say("Stopping …"), true);
  stopping.late = setTimeout(showUnconfirmed, STOP_TOLD_MS);
  while (stopping.on) {
    const tried = performance.now();
    stopping.tries += 1;
    try {
      const answer = await tell("/api/stop", {}, STOP_TRY_MS);
      const words = `${answer.message} ${answer.advice}`.trim();
      if (answer.motion === "stopped") {
        Object.assign(stopping, { confirmed: Boolean(shown), words });
        endStopping();
        alarm(words, false);
        if (shown) showNow(shown);
        return;
      }
      stopping.answer = answer.message;
    } catch (problem) {
      stopping.answer = `${sentenceCase(problem.message)}.`;
    }
    if (!stopping.on) return;
    showUnconfirmed();
    await pause(Math.max(500, STOP_TRY_MS - (performance.now() - tried)));
  }
}

/** Over the whole page: who reads nothing else has to read this. */
function showUnconfirmed() {
  if (!stopping.on) return;
  $("alarm").hidden = true;
  const seconds = ((performance.now() - stopping.began) / 1000).toFixed(0);
  text("unstopped-tries", `${say("Still trying: try {number}, {seconds} s since STOP was pressed.", { number: stopping.tries, seconds })} ${stopping.answer}`);
  if (!$("unstopped").hidden) return;
  $("unstopped").hidden = false;
  navigator.vibrate?.([400, 100, 400]);
  $("stands").focus({ preventScroll: true });
}

function endStopping() {
  stopping.on = false;
  clearTimeout(stopping.late);
  $("unstopped").hidden = true;
  $("stop").classList.remove("busy");
}

let askBack = null;

function askFirst(title, words, yes, act) {
  text("ask-h", title);
  text("ask-text", words);
  text("ask-yes", yes);
  askBack = { act, from: document.activeElement };
  $("ask").hidden = false;
  $("ask-no").focus();
}

function close(dialog) {
  if (dialog.hidden) return;
  dialog.hidden = true;
  if (dialog === $("ask")) {
    askBack?.from?.focus?.();
    askBack = null;
  }
}

const CLEAR = say("Hands off mount and tube. Is the tube free to turn, are the cables loose, is nobody within reach?");

/** The tolerance that was typed; null, and a sentence beside the field, if it is none. */
function typedTolerance() {
  const field = $("tolerance");
  const value = field.valueAsNumber;
  // What the service's own configuration says is not for the page to refuse.
  const good = (value >= Number(field.min) && value <= Number(field.max)) || value === shown?.tolerance_arcmin;
  $("tolerance-wrong").hidden = good;
  if (good) return value;
  text("tolerance-wrong", say("Not started: the tolerance must be a number from {least} to {most} arcmin.", { least: field.min, most: field.max }));
  field.focus({ preventScroll: true });
  field.scrollIntoView({ block: "center" });
  return null;
}

$("tolerance").addEventListener("input", () => ($("tolerance-wrong").hidden = true));

function startSession(resume, acceptSite = false) {
  const tolerance = typedTolerance();
  if (tolerance === null) return;
  const config = shown && tolerance !== shown.tolerance_arcmin ? { "pole.tolerance_arcmin": tolerance } : {};
  const contradiction = acceptSite ? `${sentenceCase(shown.failure.message)}. ${say("Our site and clock are used, for this session only; it is written down.")} ` : "";
  askFirst(resume ? say("Go on?") : say("Start?"), `${contradiction}${say("Tolerance {tolerance}. The mount will move by itself.", { tolerance: say("{number} arcmin", { number: tolerance }) })} ${CLEAR}`, say("YES, START"), () => send("/api/session", { config, resume, accept_site: acceptSite, by: "page" }));
}

const acts = {
  stop: stopNow,
  stands: () => {
    endStopping();
    alarm(say("STOP was not confirmed; you said that the mount stands still."), true);
  },
  go: () => startSession(false),
  "take-up": () => startSession(true),
  "accept-site": () => startSession(false, true),
  sweep: () => askFirst(say("New sweep?"), `${say("The mount will move by itself.")} ${CLEAR}`, say("YES, SWEEP"), () => send("/api/session/sweep")),
  pause: () => send(shown?.paused ? "/api/session/resume" : "/api/session/pause"),
  snugged: tellSnugged,
  "note-turns": openTurns,
  "turns-no": () => close($("turns")),
  "turns-tell": tellTurns,
  "ask-no": () => close($("ask")),
  "ask-yes": () => {
    const act = askBack?.act;
    close($("ask"));
    act?.();
  },
  more: () => {
    $("settings").hidden = !$("settings").hidden;
    $("more").setAttribute("aria-expanded", String(!$("settings").hidden));
  },
  why: toggleLong,
  other: () => openOthers($("others").hidden),
  report: () => open(keyed("/api/session/report.html"), "_blank", "noopener"),
  tone: () => toggle("tone", (on) => tone.set(on)),
  voice: () => toggle("voice", (on) => voice.set(on)),
  buzz: () => toggle("buzz", (on) => (buzz.on = on)),
  hand: () => setHand(body.dataset.hand === "left" ? "right" : "left"),
};
for (const [id, act] of Object.entries(acts)) $(id).addEventListener("click", act);
for (const one of $("others").children) one.addEventListener("click", () => openOthers(false));

/** STOP lies under the hand that is free. */
function setHand(hand) {
  body.dataset.hand = hand;
  $("hand").setAttribute("aria-pressed", String(hand === "left"));
  try {
    localStorage.setItem("polewright.hand", hand);
  } catch {
    // Private windows may forbid it; the choice then lasts as long as the page.
  }
}

function keptHand() {
  try {
    return localStorage.getItem("polewright.hand") === "left" ? "left" : "right";
  } catch {
    return "right";
  }
}

setHand(keptHand());

function toggle(id, set) {
  const on = $(id).getAttribute("aria-pressed") !== "true";
  $(id).setAttribute("aria-pressed", String(on));
  set(on);
  if (shown) showNow(shown);
}

// -- turns of an adjuster ----------------------------------------------------------------------

const EIGHTHS = ["", "⅛", "¼", "⅜", "½", "⅝", "¾", "⅞"];
const turned = { heading: "raise", count: 1 };

function showTurns() {
  for (const button of document.querySelectorAll("[data-heading]")) button.setAttribute("aria-checked", String(button.dataset.heading === turned.heading));
  const whole = Math.floor(turned.count);
  text("turn-count", `${whole || ""}${EIGHTHS[Math.round((turned.count - whole) * 8)]}` || "0");
}

function openTurns() {
  turned.heading = shown?.advice?.heading ?? turned.heading;
  const told = shown?.advice?.turns;
  if (told) turned.count = Math.max(0.125, Math.round(told * 8) / 8);
  showTurns();
  $("turns").hidden = false;
  document.querySelector("#turns [aria-checked=true]").focus();
}

async function tellTurns() {
  const axis = turned.heading === "raise" || turned.heading === "lower" ? "altitude" : "azimuth";
  const sign = turned.heading === "raise" || turned.heading === "east" ? 1 : -1;
  if (await send("/api/session/turns", { axis, turns: sign * turned.count })) close($("turns"));
}

for (const button of document.querySelectorAll("[data-heading]")) {
  button.addEventListener("click", () => {
    turned.heading = button.dataset.heading;
    showTurns();
  });
}
for (const button of document.querySelectorAll("[data-add]")) {
  button.addEventListener("click", () => {
    turned.count = Math.min(200, Math.max(0.125, turned.count + Number(button.dataset.add)));
    showTurns();
  });
}

// -- keys; day and night are theme.js's ---------------------------------------------------------

document.addEventListener("look", () => shown && showChart(shown));
$("rings").addEventListener("change", () => shown && showFrame(shown));
const KEYS = { s: "stop", n: "sweep", p: "pause", k: "snugged", u: "note-turns", t: "tone", v: "voice", b: "buzz" };

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  if (event.key === "Escape") {
    close($("ask"));
    close($("turns"));
    openOthers(false);
    return;
  }
  const id = KEYS[event.key.toLowerCase()];
  if (!id || (event.target.matches("input:not([type=checkbox]):not([type=range])") && id !== "stop")) return;
  const free = $("ask").hidden && $("unstopped").hidden;
  if (!$(id).hidden && (free || id === "stop")) acts[id]();
});

// Focus stays within an open dialog, the STOP button included.
document.addEventListener("focusin", (event) => {
  const dialog = [$("unstopped"), $("ask"), $("turns")].find((one) => !one.hidden);
  if (dialog && !dialog.contains(event.target) && event.target !== $("stop")) dialog.querySelector("button").focus();
});

// What is at the page's end can be scrolled clear of the bar, however high its buttons make it.
new ResizeObserver(() => {
  document.documentElement.style.setProperty("--bar", `${$("controls").offsetHeight}px`);
  plate.fit();
}).observe($("controls"), { box: "border-box" });

const awake = new Awake((state) => {
  $("awake").hidden = state === "off" || state === "held";
  text("awake", state === "touch" ? say("The screen may go dark: touch here to keep it on.") : say("The screen cannot be kept on from here: set the phone's screen time-out to its longest."));
});
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && shown) showFrame(shown);
});

// -- the line ----------------------------------------------------------------------------------

const LINK_WORDS = { live: say("live"), polling: say("live, slowly"), lost: say("NO CONTACT"), locked: say("LOCKED: open the link again") };

new Link({
  onSnapshot: show,
  onTime: sync,
  onState(state) {
    linkState = state;
    $("link").dataset.state = body.dataset.link = state;
    text("link-text", LINK_WORDS[state]);
    if (shown) {
      showNow(shown);
      showProgress(shown);
    } else if (state === "lost") message("sentence", say("The service does not answer. Is it running, and is this device on its network?"));
  },
});
setInterval(() => {
  if (!shown) return;
  showAge();
  if (shown.step === "adjusting" || shown.step === "sweeping") showNow(shown);
}, 250);

// From here on STOP is this script's; one that was pressed while it was still on its way goes on.
document.documentElement.dataset.ready = "";
if ("stopAsked" in document.documentElement.dataset) stopNow();
