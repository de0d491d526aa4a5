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

/** A unit that stands apart from its number. */
export const unitText = (unit) => ({ arcsec: say("arcsec"), arcmin: say("arcmin"), deg: say("deg") })[unit];

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

/** What stands on the plate while the service is not heard: no order, for it may be over long since. */
export function lost() {
  const sentence = say("Hands off the adjusters: the service is not heard, and its last word may not hold any more.");
  const caution = say("STOP may not get through now; the hand controller and the mount's power switch do. Is this device on the mount's network?");
  return { mode: "lost", word: say("NO CONTACT"), sentence, cautions: [caution], amount: null, heading: null };
}

/** Mode (which decides shape and colour), big word, big amount, sentence and cautions. */
export function now(s, fresh) {
  const total = s.error ? s.error.total_arcmin : null;
  const plain = (mode, word, sentence, cautions = [], amount = null, heading = null) =>
    ({ mode, word, sentence, cautions, amount, heading });
  switch (s.step) {
    case "idle":
      return plain("ready", say("READY"), say("Read the cautions, then press START."));
    case "checking":
      return plain("wait", say("WAIT"), say("Connecting to mount and camera; comparing site and clock."));
    case "planning":
      return plain("hands", say("HANDS OFF"), say("Planning a safe sweep. The mount will move soon."));
    case "sweeping":
      return plain("hands", say("HANDS OFF"), say("The mount moves by itself from point to point. Keep clear of it."),
        [say("Press STOP at once if anything comes near tube, cables or legs.")]);
    case "finished":
      return plain("done", say("DONE"), say("The axis is {total} off; the tolerance is {tolerance}. The last sweep confirms it: leave the adjusters alone.", { total: angleText(total), tolerance: angleText(s.tolerance_arcmin) }), [], total);
    case "stopped":
      return plain("stop", say("STOPPED"), stoppedWords(s));
    case "failed":
      return plain("look", say("ENDED"), failureWords(s), s.motion === "unknown" ? [say("Go and look at the mount now.")] : []);
  }
  return adjusting(s, fresh, plain, total);
}

function stoppedWords(s) {
  switch (s.motion) {
    case "still": return say("Session stopped; the mount stands still.");
    case "tracking": return say("Session stopped; the mount is tracking the stars.");
    case "unasked": return say("Session stopped before the mount was asked to move.");
    default: return say("Session stopped, but the mount has not confirmed that it stands still.");
  }
}

function failureWords(s) {
  if (!s.failure) return say("The session ended early.");
  return `${sentenceCase(s.failure.message)}. ${s.failure.advice}`.trim();
}

export function sentenceCase(text) {
  const trimmed = text.replace(/[.\s]+$/, "");
  return trimmed.charAt(0).toUpperCase() + trimmed.slice(1);
}

function adjusting(s, fresh, plain, total) {
  if (s.paused) return plain("pause", say("PAUSED"), say("No frames are taken. Do not turn anything; press GO ON to continue."), [], total);
  const a = s.advice;
  if (!a) return plain("wait", say("WAIT"), say("Hands off: the first frame after the sweep is the reference."), [say("Do not touch mount, tube or clutches until the first instruction comes.")], total);
  if (!fresh) return plain("wait", say("WAIT"), say("No fresh reading: hands off until the figures change again."), a.cautions, total);
  if (a.action in TURNS) return plain("turn", TURNS[a.action], a.sentence, a.cautions, a.amount_arcmin, a.action);
  switch (a.action) {
    case "wait": {
      const going = a.heading && a.amount_arcmin > 0;
      if (a.passed) return plain("stop", say("TOO FAR"), a.sentence, a.cautions, a.amount_arcmin);
      return plain("wait", say("WAIT"), a.sentence, a.cautions, going ? a.amount_arcmin : total);
    }
    case "stop_and_sweep":
      return plain("stop", say("STOP"), a.sentence, [...a.cautions, say("Then press NEW SWEEP.")], total);
    case "snug_and_recheck":
      return plain("snug", say("SNUG"), a.sentence, a.cautions, total);
    case "done":
      return plain("done", say("THERE"), a.sentence, [...a.cautions, say("Hands off, then press NEW SWEEP: the last sweep confirms it.")], total);
  }
  return plain("look", a.action === "move_base" ? say("NO TRAVEL") : say("LOOK"), a.sentence, a.cautions, total);
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

export const clockTime = (utc) => new Date(utc * 1000).toISOString().slice(11, 19) + " UTC";
