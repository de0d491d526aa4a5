// What the page says, worked out from a snapshot. No document, no network: only values in and out.

/** A positive angle as number and unit, rounded as the sentences are. */
export function angle(arcmin) {
  if (arcmin < 0.995) return [(60 * arcmin).toFixed(0), "arcsec"];
  if (arcmin < 9.95) return [arcmin.toFixed(1), "arcmin"];
  if (arcmin < 119.5) return [arcmin.toFixed(0), "arcmin"];
  return [(arcmin / 60).toFixed(1), "deg"];
}

export const angleText = (arcmin) => angle(arcmin).join(" ");

const TURNS = { raise: "RAISE", lower: "LOWER", east: "EAST", west: "WEST" };

const STEPS = {
  idle: "Ready", checking: "Checking", planning: "Planning", sweeping: "Sweeping",
  adjusting: "Adjusting", finished: "Finished", stopped: "Stopped", failed: "Ended early",
};

export const ENDED = new Set(["idle", "finished", "stopped", "failed"]);

/** The small line at the top: which step, which sweep or pass. */
export function stepWords(s) {
  const parts = [STEPS[s.step] ?? s.step];
  if (s.step === "sweeping" && s.sweeps + 1 > 1) parts.push(`sweep ${s.sweeps + 1}`);
  if (s.step === "adjusting" && s.pass_kind === "coarse") parts.push("first, coarse pass");
  if (s.step === "adjusting" && s.pass_kind === "final") parts.push("last pass");
  if (s.paused) parts.push("paused");
  return parts.join(" · ");
}

/** Mode (which decides shape and colour), big word, big amount, sentence and cautions. */
export function now(s, fresh) {
  const total = s.error ? s.error.total_arcmin : null;
  const plain = (mode, word, sentence, cautions = [], amount = null, heading = null) =>
    ({ mode, word, sentence, cautions, amount, heading });
  switch (s.step) {
    case "idle":
      return plain("ready", "READY", "Read the cautions, then press START.");
    case "checking":
      return plain("wait", "WAIT", "Connecting to mount and camera, comparing site and clock.");
    case "planning":
      return plain("hands", "HANDS OFF", "Looking for a safe sweep. The mount will move soon.");
    case "sweeping":
      return plain("hands", "HANDS OFF", "The mount moves by itself from point to point. Keep clear of it.",
        ["Press STOP at once if anything comes near tube, cables or legs."]);
    case "finished":
      return plain("done", "DONE", `The axis is ${angleText(total)} off, within ${angleText(s.tolerance_arcmin)}. The last sweep confirms it; leave the adjusters alone.`, [], total);
    case "stopped":
      return plain("stop", "STOPPED", stoppedWords(s));
    case "failed":
      return plain("look", "ENDED", failureWords(s), s.motion === "unknown" ? ["Go and look at the mount now."] : []);
  }
  return adjusting(s, fresh, plain, total);
}

function stoppedWords(s) {
  switch (s.motion) {
    case "still": return "The session was stopped and the mount stands still.";
    case "tracking": return "The session was stopped; the mount tracks the stars.";
    case "unasked": return "The session was stopped before it reached the mount.";
    default: return "Stopped, but the mount did not confirm that it stands still.";
  }
}

function failureWords(s) {
  if (!s.failure) return "The session ended early.";
  return `${sentenceCase(s.failure.message)}. ${s.failure.advice}`.trim();
}

function sentenceCase(text) {
  const trimmed = text.replace(/[.\s]+$/, "");
  return trimmed.charAt(0).toUpperCase() + trimmed.slice(1);
}

function adjusting(s, fresh, plain, total) {
  if (s.paused) return plain("pause", "PAUSED", "No frames are taken. Press GO ON to continue; do not turn anything meanwhile.", [], total);
  const a = s.advice;
  if (!a) return plain("wait", "WAIT", "Hands off: the first frame after the sweep is the reference.", ["Do not touch mount, tube or clutches until the first instruction comes."], total);
  if (!fresh) return plain("wait", "WAIT", "No fresh reading: hands off until the figures move again.", a.cautions, total);
  if (a.action in TURNS) return plain("turn", TURNS[a.action], a.sentence, a.cautions, a.amount_arcmin, a.action);
  switch (a.action) {
    case "wait": {
      const going = a.heading && a.amount_arcmin > 0;
      if (a.passed) return plain("stop", "TOO FAR", a.sentence, a.cautions, a.amount_arcmin);
      return plain("wait", "WAIT", a.sentence, a.cautions, going ? a.amount_arcmin : total);
    }
    case "stop_and_sweep":
      return plain("stop", "STOP", a.sentence, [...a.cautions, "Then press NEW SWEEP."], total);
    case "snug_and_recheck":
      return plain("snug", "SNUG", a.sentence, a.cautions, total);
    case "done":
      return plain("done", "THERE", a.sentence, [...a.cautions, "Hands off, then press NEW SWEEP: the last sweep confirms it."], total);
  }
  return plain("look", a.action === "move_base" ? "NO TRAVEL" : "LOOK", a.sentence, a.cautions, total);
}

const STAGES = { slew: "Slewing", settle: "Settling", exposure: "Exposing", download: "Reading out", solve: "Solving", prepare: "Preparing the solver" };

/** Words and fraction (or null) of a slow step. */
export function progressWords(p) {
  const where = p.points ? `Point ${p.point} of ${p.points}: ` : "";
  const stage = STAGES[p.step] ?? p.step;
  const timed = !p.text && p.total_s && p.step !== "download" && p.done_s <= p.total_s + 1;
  const amount = p.text ? `: ${p.text}` : timed ? ` ${p.done_s.toFixed(0)} of ${p.total_s.toFixed(0)} s` : p.done_s >= 1 ? ` ${p.done_s.toFixed(0)} s` : "";
  const text = where ? where + stage.toLowerCase() : stage;
  return [text + amount, timed ? Math.min(1, p.done_s / p.total_s) : null];
}

/** The three figures under the picture: [text, note]. */
export function figures(e) {
  const one = (value, plus, minus, sigma) => [angleText(Math.abs(value)), `${value >= 0 ? plus : minus}, ± ${angleText(sigma)}`];
  return {
    "f-alt": one(e.d_alt_arcmin, "too high", "too low", e.sigma_alt_arcmin),
    "f-az": one(e.d_az_sky_arcmin, "too far east", "too far west", e.sigma_az_sky_arcmin),
    "f-total": [angleText(e.total_arcmin), `surely under ${angleText(e.upper95_arcmin)}`],
  };
}

export const clockTime = (utc) => new Date(utc * 1000).toISOString().slice(11, 19) + " UTC";
