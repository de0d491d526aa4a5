// The page: shows what the service tells and passes on what is pressed. It decides nothing.

import { Announcer } from "./announcer.js";
import { Awake } from "./awake.js";
import { say, sayCount, sayDocument } from "./language.js";
import { Link, ask, keyed, tell } from "./link.js";
import { ErrorPicture } from "./picture.js";
import { Tone, Voice } from "./sound.js";
import { ENDED, unitText, angle, angleText, clockTime, figures, lost, now, progressWords, sentenceCase, stepWords } from "./words.js";

sayDocument();

const $ = (id) => document.getElementById(id);
const body = document.body;

// -- shapes: each mode is told apart by outline alone ------------------------------------------

const OCTAGON = "M31 4H69L96 31V69L69 96H31L4 69V31Z";
const SIGNS = {
  turn: ["M50 4L94 50H70V96H30V50H6Z", ""],
  wait: ["M18 4H82V16C82 36 62 42 62 50C62 58 82 64 82 84V96H18V84C18 64 38 58 38 50C38 42 18 36 18 16Z", "M32 20H68M50 56V78"],
  stop: [OCTAGON, "M26 50H74"],
  look: [OCTAGON, "M50 22V58M50 72V77"],
  hands: ["M50 5L97 92H3Z", "M50 36V64M50 75V80"],
  pause: ["M14 6H42V94H14ZM58 6H86V94H58Z", ""],
  snug: ["M27 8H73L97 50L73 92H27L3 50Z", "M30 62L70 38"],
  done: ["M50 3A47 47 0 1 1 49.9 3Z", "M28 52L44 68L73 34"],
  lost: ["M20 4L50 34L80 4L96 20L66 50L96 80L80 96L50 66L20 96L4 80L34 50L4 20Z", ""],
  ready: ["M50 3A47 47 0 1 1 49.9 3Z", "M40 28L72 50L40 72Z"],
};
const TURN_BY = { raise: 0, lower: 180, east: 90, west: -90 };

function showSign(mode, heading, southern) {
  const [outline, mark] = SIGNS[mode];
  $("sign-path").setAttribute("d", outline);
  $("sign-mark").setAttribute("d", mark);
  const flip = southern && (heading === "east" || heading === "west") ? -1 : 1;
  const turn = mode === "turn" ? flip * TURN_BY[heading] : 0;
  $("sign-path").setAttribute("transform", turn ? `rotate(${turn} 50 50)` : "");
}

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

const time = { utc: 0, at: 0, rate: 1, first: null };

/** The service's clock may run fast in a rehearsal: its rate is learned. */
function sync(utc) {
  const at = performance.now() / 1000;
  time.first ??= [utc, at];
  if (at - time.first[1] > 2) time.rate = Math.max(0.1, (utc - time.first[0]) / (at - time.first[1]));
  Object.assign(time, { utc, at });
}

const age = (utc) => Math.max(0, (time.utc - utc) / time.rate + performance.now() / 1000 - time.at);

const staleAfter = (s) => 12 + 3 * (s.frame?.exposure_s ?? 4);

// -- showing -----------------------------------------------------------------------------------

let shown = null;
let linkState = "lost";
const picture = new ErrorPicture($("error-picture"), $("picture-words"));
const tone = new Tone();
const voice = new Voice();
const announcer = new Announcer($("said"));

function show(s) {
  if (shown && s.session_id === shown.session_id && s.version < shown.version) return;
  const was = shown;
  shown = s;
  if (was && was.version !== s.version) sync(s.utc_s);
  else if (!time.utc) sync(s.utc_s);
  body.dataset.step = s.step;
  text("where", stepWords(s));
  showNow(s);
  showProgress(s);
  if (s.error !== was?.error || s.advice !== was?.advice) picture.draw(s);
  showFigures(s);
  showFrame(s);
  showChart(s, was);
  showNotes(s);
  showControls(s, was);
  // For whoever measures how quick the page is.
  body.dataset.reading = s.error ? s.error.utc_s : "";
  body.dataset.version = s.version;
  body.dataset.shownMs = Date.now();
}

function showNow(s) {
  const late = s.step === "adjusting" && s.error && s.error.state !== "measured" && age(s.error.utc_s) > staleAfter(s);
  const fresh = !late && linkState !== "lost" && linkState !== "locked";
  const n = linkState === "lost" ? lost() : now(s, fresh);
  body.dataset.mode = n.mode;
  $("plate").dataset.mode = n.mode;
  showSign(n.mode, n.heading, s.southern);
  text("word", n.word);
  const [number, unit] = n.amount === null ? ["", ""] : angle(n.amount);
  text("number", number);
  $("number").dataset.signs = number.length;
  text("unit", unitText(unit) ?? "");
  $("amount").hidden = n.amount === null;
  message("sentence", n.sentence);
  list($("cautions"), n.cautions);
  announcer.tell(n);
  const a = s.advice;
  const audible = s.step === "adjusting" && fresh && !s.paused && a && a.tone_hz;
  tone.follow(audible ? { hz: a.tone_hz, period: a.beat_period_s } : null);
  voice.speak(s.step === "adjusting" && !s.paused ? (fresh ? a?.spoken : linkState === "lost" ? say("no contact, hands off") : say("no reading, wait")) : n.word.toLowerCase());
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
  for (const stage of $("stages").children) {
    stage.hidden = s.step === "adjusting" && (stage.dataset.stage === "slew" || stage.dataset.stage === "settle");
    stage.classList.toggle("on", stage.dataset.stage === p.step);
  }
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

const wide = matchMedia("(min-width: 900px)");
let frameAsked = "";

function showFrame(s) {
  const f = s.frame;
  if (!f) return;
  const shape = [sayCount("{count} star", "{count} stars", f.star_count), f.hfd_px ? say("half-flux diameter {hfd} px", { hfd: f.hfd_px.toFixed(1) }) : "", f.elongation ? say("elongation {elongation}", { elongation: f.elongation.toFixed(2) }) : "", `${f.exposure_s} s`, f.solved ? say("solved") : ""].filter(Boolean).join(", ");
  text("frame-words", say("Frame {number}: {facts}.", { number: f.number, facts: shape }));
  const want = `/api/session/frame.jpg?stars=${$("rings").checked ? 1 : 0}&n=${s.session_id}.${f.number}`;
  if (!$("frame").open || want === frameAsked || document.hidden) return;
  frameAsked = want;
  load($("frame-img"), want, sayCount("Last frame, {count} star found", "Last frame, {count} stars found", f.star_count));
}

/** Swap a picture only when the new one is whole. */
function load(img, source, alt) {
  const next = new Image();
  next.onload = () => {
    img.src = next.src;
    img.alt = alt;
    img.hidden = false;
  };
  next.src = keyed(source);
}

let chartAsked = "";

function showChart(s, was) {
  if (s.step === "sweeping" && was?.step !== "sweeping") $("chart").open = true;
  if (was?.step === "sweeping" && s.step === "adjusting" && !wide.matches) $("chart").open = false;
  if (!s.plan || !$("chart").open) return;
  const want = `/api/session/chart.svg?theme=${document.documentElement.dataset.theme}&n=${s.session_id}.${s.sweeps}.${s.plan.azimuths_deg.join(",")}`;
  if (want === chartAsked) return;
  chartAsked = want;
  load($("chart-img"), want, sayCount("Sky chart with a sweep of {count} point, north up, east left", "Sky chart with a sweep of {count} points, north up, east left", s.plan.azimuths_deg.length));
  const sigma = s.plan.predicted_sigma_arcsec;
  text("chart-words", sigma ? sayCount("{count} point, expected uncertainty {sigma}.", "{count} points, expected uncertainty {sigma}.", s.plan.azimuths_deg.length, { sigma: angleText(sigma / 60) }) : sayCount("{count} point.", "{count} points.", s.plan.azimuths_deg.length));
}

function showNotes(s) {
  list($("note-list"), s.notes.slice(-30).reverse());
  text("note-count", s.notes.length ? `(${s.notes.length})` : "");
  text("air", s.result?.weather ? say("Air, for refraction: {source}.", { source: s.result.weather.source }) : "");
  text("session-id", s.session_id ? say("Session {id}", { id: s.session_id }) : "");
}

function showControls(s, was) {
  const ended = ENDED.has(s.step);
  const adjusting = s.step === "adjusting";
  $("start").hidden = !ended;
  $("go").hidden = !ended;
  $("accept-row").hidden = !ended || s.failure?.code !== "mount_contradicts";
  $("picture").hidden = !s.error;
  for (const id of ["sweep", "pause", "note-turns"]) $(id).hidden = !adjusting;
  $("snugged").hidden = !adjusting || s.advice?.action !== "snug_and_recheck";
  const told = adjusting && $("snugged").dataset.told === String(s.error?.utc_s);
  $("snugged").disabled = told;
  text("snugged", told ? say("CHECKING") : say("SNUGGED"));
  $("sweep").classList.toggle("main", adjusting && ["stop_and_sweep", "done", "check_mount"].includes(s.advice?.action));
  text("pause", s.paused ? say("GO ON") : say("PAUSE"));
  awake.want(!ended);
  if (was && was.step !== s.step) {
    if (!adjusting) close($("turns"));
    close($("ask"));
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

async function offerResume() {
  try {
    const [last] = await ask("/api/sessions");
    $("take-up-row").hidden = !last?.interrupted;
  } catch {
    $("take-up-row").hidden = true;
  }
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
const stopping = { on: false, tries: 0, began: 0, answer: "" };
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function stopNow() {
  close($("ask"));
  close($("turns"));
  if (stopping.on) return; // it is tried again every two seconds anyway
  Object.assign(stopping, { on: true, tries: 0, began: performance.now(), answer: "" });
  $("stop").classList.add("busy");
  alarm(say("Stopping …"), true);
  setTimeout(showUnconfirmed, STOP_TOLD_MS);
  while (stopping.on) {
    const tried = performance.now();
    stopping.tries += 1;
    try {
      const answer = await tell("/api/stop", {}, STOP_TRY_MS);
      const words = `${answer.message} ${answer.advice}`.trim();
      if (answer.motion === "stopped") {
        endStopping();
        alarm(words, false);
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
  askFirst(resume ? say("Go on?") : say("Start?"), `${contradiction}${say("Tolerance {tolerance}′. The mount will move by itself.", { tolerance })} ${CLEAR}`, say("YES, START"), () => send("/api/session", { config, resume, accept_site: acceptSite, by: "page" }));
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
  tone: () => toggle("tone", (on) => tone.set(on)),
  voice: () => toggle("voice", (on) => voice.set(on)),
};
for (const [id, act] of Object.entries(acts)) $(id).addEventListener("click", act);

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

document.addEventListener("look", () => shown && showChart(shown, shown));
$("rings").addEventListener("change", () => shown && showFrame(shown));
for (const id of ["frame", "chart"]) {
  $(id).addEventListener("toggle", () => {
    if (!shown) return;
    showFrame(shown);
    showChart(shown, shown);
  });
}

const KEYS = { s: "stop", n: "sweep", p: "pause", k: "snugged", u: "note-turns", t: "tone", v: "voice" };

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  if (event.key === "Escape") {
    close($("ask"));
    close($("turns"));
    return;
  }
  const id = KEYS[event.key.toLowerCase()];
  if (!id || (event.target.matches("input:not([type=checkbox]):not([type=range])") && id !== "stop")) return;
  if (!$(id).hidden && ($("ask").hidden || id === "stop")) acts[id]();
});

// Focus stays within an open dialog, the STOP button included.
document.addEventListener("focusin", (event) => {
  const dialog = [$("unstopped"), $("ask"), $("turns")].find((one) => !one.hidden);
  if (dialog && !dialog.contains(event.target) && event.target !== $("stop")) dialog.querySelector("button").focus();
});

// What is at the page's end can be scrolled clear of the bar, however high its buttons make it.
new ResizeObserver(() => {
  document.documentElement.style.setProperty("--bar", `${$("controls").offsetHeight}px`);
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
  if (shown.step === "adjusting") showNow(shown);
}, 1000);
