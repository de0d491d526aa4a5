// What the page says, worked out from a snapshot: only values in and out.

import { say } from "./language.js";

/** A positive angle as number and unit: twin of angle_parts in foundation/angle_text.py. */
export function angle(arcmin) {
  const [size, unit] = arcmin < 0.995 ? [60 * arcmin, "arcsec"] : arcmin < 119.5 ? [arcmin, "arcmin"] : [arcmin / 60, "deg"];
  if (size === 0) return ["0", unit];
  return [size.toFixed(size < 2.995 ? 2 : size < 9.95 ? 1 : 0), unit];
}

const ANGLES = { arcsec: (number) => say("{number} arcsec", { number }), arcmin: (number) => say("{number} arcmin", { number }), deg: (number) => say("{number} deg", { number }) };

/** An angle in words: twin of angle_text there. */
export function angleText(arcmin) {
  const [number, unit] = angle(arcmin);
  return ANGLES[unit](number);
}

/** A round angle by its sign, where there is no room for words. */
export function angleSign(arcmin) {
  const [number, unit] = angle(arcmin);
  return `${Number(number)}${{ arcsec: "″", arcmin: "′", deg: "°" }[unit]}`;
}

/** A unit that stands apart from its number. */
export const unitText = (unit) => ({ arcsec: say("arcsec"), arcmin: say("arcmin"), deg: say("deg") })[unit];

/** Decimals and unit in which the way left is shown from the start of a pass to its end. */
export function passScale(s) {
  const far = Math.max(s.advice?.begin_arcmin ?? 0, s.error?.total_arcmin ?? 0);
  const goal = s.goal_arcmin ?? s.tolerance_arcmin;
  if (far < 3 || (goal < 0.3 && far < 16)) return { unit: "arcsec", per: 60, decimals: 0 };
  return far > 999 ? { unit: "deg", per: 1 / 60, decimals: 2 } : { unit: "arcmin", per: 1, decimals: far >= 99.5 ? 0 : far >= 20 ? 1 : 2 };
}

/** An angle on a scale that stays: what changes is the figure, never its unit or its length. */
export function onScale(arcmin, scale) {
  const most = (scale.decimals ? 100 : 1000) - 0.5 * 10 ** -scale.decimals;
  const value = arcmin * scale.per;
  return value < most ? value.toFixed(scale.decimals) : value.toFixed(Math.max(0, scale.decimals - 1));
}

const TURNS = { raise: say("RAISE"), lower: say("LOWER"), east: say("EAST"), west: say("WEST") };

const STEPS = {
  idle: say("Ready"), checking: say("Checking"), planning: say("Planning"),
  sweeping: say("Sweeping"), adjusting: say("Adjusting"), finished: say("Finished"),
  stopped: say("Stopped"), failed: say("Ended early"),
};

export const ENDED = new Set(["idle", "finished", "stopped", "failed"]);

/** The small line at the top: which step, which sweep or pass. */
export function stepWords(s) {
  const parts = [STEPS[s.step] ?? s.step];
  if (s.step === "sweeping" && s.sweeps + 1 > 1) parts.push(say("sweep {number}", { number: s.sweeps + 1 }));
  if (s.step === "adjusting" && s.pass_kind === "coarse") parts.push(say("first, coarse pass"));
  if (s.step === "adjusting" && s.pass_kind === "final") parts.push(say("last pass"));
  if (s.paused) parts.push(say("paused"));
  return parts.join(" · ");
}

// A face is all that the plate shows. mode: the shape. tone: "go", "wait" or "halt", the colour.
// knob: what stands beside the big word. amount: {number, unit}, as large as will fit. sentence: in
// sight; long and cautions: behind a tap. main: the one large button; beside: what stays in sight
// next to it. calls: whether pressing it is what is to be done next. said: what the voice says.

function face(mode, tone, word, sentence, more = {}) {
  return { mode, tone, word, sentence, knob: "", amount: null, heading: null, hollow: false, long: "", cautions: [], main: "", beside: [], calls: true, said: word.toLowerCase(), ...more };
}

/** What stands on the plate while the service is not heard: no order, for it may be over long since. */
export function lost() {
  const long = say("STOP may not get through now; the hand controller and the mount's power switch do. Is this device on the mount's network?");
  return face("lost", "halt", say("NO CONTACT"), say("Hands off the adjusters: the service is not heard, and its last word may not hold any more."), { long, said: say("no contact, hands off") });
}

/** After STOP was confirmed, until the session has ended too. */
export const stopConfirmed = (words) => face("stopped", "wait", say("STOPPED"), words);

/** The face of a snapshot. `fresh`: its reading is young enough to turn by. `left_s`: of a sweep.
 * `scale`: of the pass. */
export function now(s, fresh, left_s = null, scale = passScale(s)) {
  switch (s.step) {
    case "idle":
      return face("ready", "go", say("READY"), say("Read the cautions, then press START."), { main: "go" });
    case "checking":
      return face("wait", "wait", say("WAIT"), say("Connecting to mount and camera; comparing site and clock."));
    case "planning":
      return face("hands", "halt", say("HANDS OFF"), say("Planning a safe sweep. The mount will move soon."));
    case "sweeping":
      return sweeping(s, left_s);
    case "finished":
      return face("done", "go", say("DONE"), say("The last sweep has confirmed the axis: leave the adjusters alone."), { main: "report", said: say("done, hands off") });
    case "stopped":
      return face("stopped", "wait", say("STOPPED"), stoppedWords(s), { main: "go" });
    case "failed":
      return ended(s);
  }
  return adjusting(s, fresh, scale);
}

function sweeping(s, left_s) {
  const p = s.progress;
  const point = p?.points ? say("point {point} of {points}", { point: p.point, points: p.points }) : "";
  const knob = [point, s.unread > 0 ? say("no stars, try {number}", { number: s.unread + 1 }) : ""].filter(Boolean).join(", ");
  const amount = left_s === null ? null : { number: left_s.toFixed(0), unit: say("s left") };
  return face("hands", "halt", say("HANDS OFF"), s.unread > 0 ? say("Cloud, dew or cap? It tries again by itself; keep clear.") : say("The mount moves by itself: keep clear of tube, cables and legs."), { knob, amount, long: say("Press STOP at once if anything comes near tube, cables or legs."), said: say("hands off, the mount moves") });
}

function stoppedWords(s) {
  switch (s.motion) {
    case "still": return say("Session stopped; the mount stands still.");
    case "tracking": return say("Session stopped; the mount is tracking the stars.");
    case "unasked": return say("Session stopped before the mount was asked to move.");
    default: return say("Session stopped, but the mount has not confirmed that it stands still.");
  }
}

const KINDS = {
  unsafe: ["unsafe", say("NOT SAFE")],
  sun: ["sun", say("SUN")],
  limit: ["limit", say("LIMIT")],
  cloud: ["cloud", say("NO STARS")],
  refused: ["refused", say("REFUSED")],
  failed: ["failed", say("FAILED")],
};
const LONGEST_CAUSE = 130;

const STANDS = { still: say("The mount stands still."), tracking: say("The mount follows the stars."), unasked: say("Nothing has moved.") };

/** Remedy first, then the cause; what it was in full is behind a tap. */
function ended(s) {
  const f = s.failure;
  if (s.motion === "unknown" || !f) {
    const why = f ? `${sentenceCase(f.message)}. ${f.advice}`.trim() : "";
    return face("look", "halt", say("GO AND LOOK"), say("The mount has not confirmed that it stands still. Be ready to cut its power."), { long: why, main: "go" });
  }
  const [mode, word] = KINDS[f.kind] ?? KINDS.failed;
  const cause = f.brief || sentenceCase(f.message) + ".";
  const contradicts = f.code === "mount_contradicts";
  const remedy = contradicts ? say("Correct it there or here and press START; or go on with ours, for this session only.") : f.advice;
  const sentence = [STANDS[s.motion], remedy].filter(Boolean).join(" ");
  const whole = cause.length <= LONGEST_CAUSE && !cause.includes("`"); // a page of the handbook that is named is led to
  return face(mode, mode === "cloud" ? "wait" : "halt", word, sentence, {
    knob: whole ? cause : "",
    long: whole && !f.brief ? "" : `${sentenceCase(f.message)}. ${contradicts ? f.advice : ""}`.trim(),
    main: "go",
    beside: contradicts ? ["accept-site"] : [],
  });
}

export function sentenceCase(text) {
  const trimmed = text.replace(/[.\s]+$/, "");
  return trimmed.charAt(0).toUpperCase() + trimmed.slice(1);
}

function adjusting(s, fresh, scale) {
  const a = s.advice;
  const others = { main: "sweep", long: a?.sentence ?? "", cautions: [...(a?.cautions ?? []), s.moving?.caution].filter(Boolean) };
  if (s.paused) return face("pause", "wait", say("PAUSED"), say("No frames are taken. Turn nothing; press GO ON."), { main: "pause" });
  if (s.offer) return face("sweep", "halt", say("ACROSS?"), say("The next sweep crosses the meridian. Keep clear, then take it."), { ...others, long: s.offer, said: say("keep clear, then take the offered sweep") });
  if (!a) return face("wait", "wait", say("WAIT"), say("Hands off: the first frame after the sweep is the reference."), { ...others, calls: false, long: say("Do not touch mount, tube or clutches until the first instruction comes.") });
  if (s.unread > 0) {
    const amount = { number: String(s.unread), unit: s.unread === 1 ? say("frame") : say("frames") };
    return face("cloud", "wait", say("NO STARS"), say("Hands off. The next frame is tried by itself."), { ...others, main: "pause", calls: false, amount, knob: say("cloud, dew or cap?"), said: say("no stars, hands off") });
  }
  if (!fresh) return face("wait", "wait", say("WAIT"), say("No fresh reading: hands off until the figures change again."), { ...others, calls: false, said: say("no reading, hands off") });
  const turns = a.heading && a.amount_arcmin > 0 && (a.action in TURNS || a.action === "wait");
  if (turns) return turning(s, a, scale, others);
  switch (a.action) {
    case "stop_and_sweep":
      return face("sweep", "go", say("NEW SWEEP"), say("Let go, then press NEW SWEEP."), { ...others, said: a.spoken });
    case "snug_and_recheck":
      return face("snug", "go", say("TIGHTEN"), say("Gently, by turns, a little at a time. Then press SNUGGED."), { ...others, main: "snugged", said: a.spoken });
    case "done":
      return face("there", "go", say("THERE"), say("Hands off, then press NEW SWEEP: it confirms the axis."), { ...others, said: a.spoken });
    case "wait":
      return face("wait", "wait", say("WAIT"), say("Hands off until the next frame."), { ...others, calls: false, said: a.spoken });
  }
  const travel = a.action === "move_base";
  return face("look", "halt", travel ? say("NO TRAVEL") : say("LOOK"), travel ? say("Bring the adjuster back to its middle and move the base.") : say("Hands off. See what slipped, then press NEW SWEEP."), { ...others, said: a.spoken });
}

/** The faces of an adjuster in hand: turn, let go, too far. The figure is its way left in all. */
function turning(s, a, scale, others) {
  const amount = { number: onScale(a.amount_arcmin, scale), unit: unitText(scale.unit) };
  const unsure = Boolean(s.moving?.turning) || s.error?.state === "moving" || s.error?.state === "settling";
  const both = { ...others, calls: false, amount, heading: a.heading, hollow: unsure, said: a.spoken };
  if (a.passed) return face("past", "halt", say("TOO FAR"), say("Let go. The way back comes with the next reading."), both);
  if (unsure && a.amount_arcmin <= a.zone_arcmin) return face("mark", "go", say("LET GO"), say("On the mark: hands off, a frame confirms it."), both);
  if (s.error?.state === "settling" && !s.moving?.turning) return face("hold", "go", say("LET GO"), say("Hands off: a second frame has to agree."), both);
  const knob = [a.doing, a.turns_text].filter(Boolean).join(", ");
  const sentence = s.moving?.turning && s.moving.resting ? say("At rest. Hands off while a full frame is taken.") : unsure ? say("Moving. Let go for a reading that counts.") : a.brief || say("Turn, let go, wait for the figure to fill.");
  return face("turn", "go", TURNS[a.heading], sentence, { ...both, knob });
}

const STAGES = {
  slew: say("Slewing"), settle: say("Settling"), exposure: say("Exposing"),
  download: say("Reading out"), solve: say("Solving"), prepare: say("Waiting for the device"),
};

/** Words and fraction (or null) of a slow step. */
export function progressWords(p) {
  const stage = STAGES[p.step] ?? p.step;
  const timed = !p.text && p.total_s && p.step !== "download" && p.done_s <= p.total_s + 1;
  const amount = p.text ? `: ${p.text}` : timed ? ` ${say("{done} of {total} s", { done: p.done_s.toFixed(0), total: p.total_s.toFixed(0) })}` : p.done_s >= 1 ? ` ${p.done_s.toFixed(0)} s` : "";
  const words = stage + amount;
  return [p.points ? say("Point {point} of {points}: {stage}", { point: p.point, points: p.points, stage: words }) : words, timed ? Math.min(1, p.done_s / p.total_s) : null];
}

/** The three figures under the picture: [text, note]. */
export function figures(e) {
  const one = (value, plus, minus, sigma) => [angleText(Math.abs(value)), `${value >= 0 ? plus : minus}, ± ${angleText(sigma)}`];
  return {
    "f-alt": one(e.d_alt_arcmin, say("too high"), say("too low"), e.sigma_alt_arcmin),
    "f-az": one(e.d_az_sky_arcmin, say("too far east"), say("too far west"), e.sigma_az_sky_arcmin),
    "f-total": [angleText(e.total_arcmin), say("under {bound} (95 %)", { bound: angleText(e.upper95_arcmin) })],
  };
}

/** Total (arcmin) of the reading that steers. Where its way left was thought on to `amount`, the same
 * motion is thought on in the total, so that both are of one moment. */
export function totalNow(s, amount = null) {
  const reading = s.moving?.turning ? s.moving : s.error;
  const a = s.advice;
  const moved = amount === null ? 0 : a.amount_arcmin - amount;
  if (!moved) return reading.total_arcmin;
  const part = Math.abs(a.axis === "altitude" ? reading.d_alt_arcmin : reading.d_az_sky_arcmin);
  return Math.sqrt(Math.max(0, reading.total_arcmin ** 2 - part ** 2) + (part - moved) ** 2);
}

export const clockTime = (utc) => new Date(utc * 1000).toISOString().slice(11, 19) + " UTC";
