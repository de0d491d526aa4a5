// The plate: sign, order, figure, bar and age of the reading, as large as the screen allows.

import { angleText, onScale, totalNow } from "./words.js";

// Each face is told apart by outline alone: [outline, mark within it].
const SIGNS = {
  wait: ["M18 4H82V16C82 36 62 42 62 50C62 58 82 64 82 84V96H18V84C18 64 38 58 38 50C38 42 18 36 18 16Z", "M32 20H68M50 56V78"],
  ready: ["M50 3A47 47 0 1 1 49.9 3Z", "M40 28L72 50L40 72Z"],
  hands: ["M50 5L97 92H3Z", "M50 36V64M50 75V80"],
  mark: ["M50 3A47 47 0 1 1 49.9 3Z", "M50 22A28 28 0 1 1 49.9 22ZM50 46V54M46 50H54"],
  past: ["M14 96V42A33 33 0 0 1 80 42V54H97L70 94L43 54H60V42A13 13 0 0 0 34 42V96Z", ""],
  snug: ["M27 8H73L97 50L73 92H27L3 50Z", "M30 62L70 38"],
  there: ["M50 3A47 47 0 1 1 49.9 3Z", "M50 22A28 28 0 1 1 49.9 22ZM36 51L46 61L64 41"],
  sweep: ["M50 6A44 44 0 1 0 94 50H76A26 26 0 1 1 50 24V42L84 15L50 -8Z", ""],
  pause: ["M14 6H42V94H14ZM58 6H86V94H58Z", ""],
  look: ["M50 3L97 50L50 97L3 50Z", "M50 28V56M50 68V73"],
  done: ["M50 3A47 47 0 1 1 49.9 3Z", "M28 52L44 68L73 34"],
  stopped: ["M8 8H92V92H8Z", "M30 50H70"],
  lost: ["M20 4L50 34L80 4L96 20L66 50L96 80L80 96L50 66L20 96L4 80L34 50L4 20Z", ""],
  unsafe: ["M50 3L92 16V50C92 76 72 90 50 97C28 90 8 76 8 50V16Z", "M32 34L68 70M68 34L32 70"],
  sun: ["M50 0L60 21L79 8L77 31L100 33L86 50L100 67L77 69L79 92L60 79L50 100L40 79L21 92L23 69L0 67L14 50L0 33L23 31L21 8L40 21Z", "M50 32A18 18 0 1 1 49.9 32Z"],
  limit: ["M78 3H97V97H78ZM3 40H40V20L72 50L40 80V60H3Z", ""],
  cloud: ["M26 84C8 84 2 70 5 60C8 48 18 46 22 46C22 28 36 16 52 16C68 16 78 28 80 40C92 42 98 52 96 64C94 76 86 84 76 84Z", ""],
  refused: ["M50 3A47 47 0 1 1 49.9 3Z", "M24 50H76"],
  failed: ["M62 2L18 56H44L34 98L84 38H54Z", ""],
};
const TURN_BY = { raise: 0, lower: 180, east: 90, west: -90 };
/** The mark on the bar, of its 300 units; what lies behind it is too far. */
const MARK = 240;
/** Motion is thought on for so long at most, s; further on a hand has done something else. */
const THINK_ON_S = 4;

/** Share of the way left, drawn larger towards the mark. */
const shareOf = (amount, begin) => Math.sqrt(Math.min(1, Math.max(0, amount / Math.max(begin, 1e-9))));

/** Set a size, px, to the largest with which the text of an element fits it. */
export function largest(element, style, name, least, most) {
  let [fits, exceeds] = [least, most];
  while (exceeds - fits > 0.5) {
    const size = (fits + exceeds) / 2;
    style.setProperty(name, `${size}px`);
    if (element.scrollHeight <= element.clientHeight && element.scrollWidth <= element.clientWidth) fits = size;
    else exceeds = size;
  }
  style.setProperty(name, `${(0.985 * fits).toFixed(2)}px`); // heights are told in whole pixels
}

export class Plate {
  constructor($) {
    this.$ = $;
    this.fitted = "";
    this.motion = { utc: 0, amount: 0, key: "", rate: 0, every: 0 };
    this.width = document.createElement("canvas").getContext("2d");
    new ResizeObserver(() => this.fit()).observe($("plate"));
  }

  text(id, value) {
    const element = this.$(id);
    if (element.textContent !== value) element.textContent = value;
  }

  /** Show a face. seconds, left: age of the reading, and what is left of its time (0 to 1). */
  show(face, s, { seconds, left, scale, rate }) {
    const plate = this.$("plate");
    const a = s.advice;
    const turns = face.heading !== null && a;
    const amount = turns ? this.thoughtOn(s, face, seconds, rate) : null;
    const figure = turns ? { ...face.amount, number: onScale(amount, scale) } : face.amount;
    const hollow = face.hollow || (turns && amount !== a.amount_arcmin);
    plate.dataset.mode = face.mode;
    plate.dataset.tone = face.tone;
    plate.toggleAttribute("data-hollow", Boolean(hollow));
    plate.toggleAttribute("data-outline", Boolean(hollow) && (face.mode === "turn" || face.mode === "hold"));
    plate.toggleAttribute("data-turns", Boolean(turns));
    plate.toggleAttribute("data-figure", Boolean(figure));
    plate.toggleAttribute("data-cause", s.step === "failed" && Boolean(face.knob));
    this.sign(face, s, turns ? shareOf(amount, a.begin_arcmin) : 1);
    this.text("word", face.word);
    this.text("knob", face.knob);
    this.$("amount").hidden = !figure;
    if (figure) {
      this.text("number", figure.number);
      this.text("unit", figure.unit);
    }
    if (turns) this.bar(amount, a, face.mode === "past");
    const adjusting = s.step === "adjusting" && s.error && face.mode !== "lost";
    this.$("foot").hidden = !adjusting;
    if (adjusting) {
      this.text("total-value", angleText(totalNow(s, amount)));
      this.text("age-text", seconds < 100 ? `${seconds.toFixed(0)} s` : `${(seconds / 60).toFixed(0)} min`);
      this.$("age-ring").style.setProperty("--left", (100 * Math.max(0, left)).toFixed(1));
    }
    // The longest figure of the pass decides how large all are.
    const longest = turns ? onScale(Math.max(a.begin_arcmin, a.amount_arcmin), scale) : (figure?.number ?? "");
    this.pattern = longest.replace(/[0-9]/g, "8");
    if (figure && figure.number.length > this.pattern.length) this.pattern = figure.number.replace(/[0-9]/g, "8");
    this.fit();
  }

  /** Way left now: between two readings of an axis that moves it is thought on, never past the mark. */
  thoughtOn(s, face, seconds, rate) {
    const a = s.advice;
    const reading = s.moving ?? s.error;
    const m = this.motion;
    const key = `${a.axis}.${face.heading}`;
    const moves = s.moving?.turning ? !s.moving.resting : s.error?.state === "moving";
    if (reading.utc_s !== m.utc || key !== m.key) {
      const took = reading.utc_s - m.utc;
      const known = key === m.key && moves && took > 0 && m.utc;
      Object.assign(m, { rate: known ? (m.amount - a.amount_arcmin) / took : 0, every: known ? took : 0, utc: reading.utc_s, amount: a.amount_arcmin, key });
    }
    if (!moves || !(m.rate > 0) || face.mode !== "turn") return a.amount_arcmin;
    const on = Math.min(seconds * rate, m.every, THINK_ON_S * rate);
    return Math.max(0, a.amount_arcmin - m.rate * on);
  }

  sign(face, s, share) {
    const flip = s.southern && (face.heading === "east" || face.heading === "west") ? -1 : 1;
    const tail = (52 + 44 * share).toFixed(1);
    const arrow = face.mode === "turn" || face.mode === "hold";
    const [outline, mark] = arrow ? [`M50 4L94 50H70V${tail}H30V50H6Z`, ""] : SIGNS[face.mode];
    // An arrow points as the axis is to go; the one that turns round ends so.
    const by = arrow ? flip * TURN_BY[face.heading] : face.mode === "past" ? flip * TURN_BY[face.heading] + 180 : 0;
    this.$("sign-path").setAttribute("d", outline);
    this.$("sign-mark").setAttribute("d", mark);
    for (const id of ["sign-path", "sign-mark"]) this.$(id).setAttribute("transform", by ? `rotate(${by} 50 50)` : "");
  }

  bar(amount, a, past) {
    const at = past ? Math.min(296, MARK + 56 * shareOf(amount, a.begin_arcmin)) : MARK * (1 - shareOf(amount, a.begin_arcmin));
    const half = Math.max(7, Math.min(54, MARK * shareOf(a.zone_arcmin, a.begin_arcmin)));
    this.$("way-zone").setAttribute("x", MARK - half);
    this.$("way-zone").setAttribute("width", 2 * Math.min(half, 300 - MARK - 2));
    this.$("way-here").setAttribute("d", `M${(at - 7).toFixed(1)} 1H${(at + 7).toFixed(1)}V29H${(at - 7).toFixed(1)}Z`);
  }

  /** The largest letters with which order and figure fit their boxes. */
  fit() {
    const { $, pattern = "" } = this;
    const doing = $("doing");
    const amount = $("amount");
    const sentence = $("sentence");
    const key = [sentence.clientWidth, sentence.clientHeight, sentence.textContent, doing.clientWidth, doing.clientHeight, amount.clientWidth, amount.clientHeight, $("word").textContent, $("knob").textContent, pattern, $("unit").textContent, amount.hidden, $("plate").hasAttribute("data-turns")].join("|");
    if (key === this.fitted) return;
    this.fitted = key;
    const plate = $("plate").style;
    largest(doing, plate, "--order", 12, Math.min(doing.clientHeight, 120));
    sentence.style.removeProperty("--sentence");
    const usual = parseFloat(getComputedStyle(document.body).getPropertyValue("--sentence-most") || 19);
    if (document.body.dataset.step === "adjusting") largest(sentence, sentence.style, "--sentence", 11, usual);
    if (amount.hidden) return;
    this.width.font = `800 100px ${getComputedStyle(amount).fontFamily}`;
    const em = (words) => this.width.measureText(words).width / 100;
    const share = parseFloat(getComputedStyle($("unit")).fontSize) / parseFloat(getComputedStyle(amount).fontSize);
    const [number, unit] = [em(pattern) + 0.04, share * (em($("unit").textContent) + 0.04)];
    const [w, h] = [amount.clientWidth - 2, amount.clientHeight];
    const beside = Math.min(w / (number + 0.24 + unit), h / 0.86);
    const below = Math.min(w / Math.max(number, unit), h / (0.87 + 0.87 * share));
    plate.setProperty("--figure", `${Math.max(beside, below).toFixed(1)}px`);
  }
}
