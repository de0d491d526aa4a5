// The reading for ears and hands: a tone whose pitch and beat tell the way left of the adjuster in
// hand, a few spoken words, and a buzz at the same events.

import { language } from "./language.js";

const BEEP_S = 0.07;
const LOUD = 0.25;
const FIGURE_MS = 2500; // "up, 4.2 minutes" takes about 2 s to say (own choice)

export class Tone {
  constructor() {
    this.on = false;
    this.wanted = null;
    this.timer = 0;
  }

  /** Switch on or off; must come from a press, or the browser stays silent. */
  set(on) {
    this.on = on;
    if (on && !this.context) {
      this.context = new AudioContext();
      this.gain = new GainNode(this.context, { gain: 0 });
      this.voice = new OscillatorNode(this.context, { type: "sine" });
      this.voice.connect(this.gain).connect(this.context.destination);
      this.voice.start();
    }
    if (on) this.context.resume();
    this.beat();
  }

  /** Follow an advice: {hz, period, past} or null for silence. */
  follow(wanted) {
    const was = this.wanted;
    this.wanted = wanted;
    if (!this.context) return;
    if (!wanted || !was || (wanted.period === null) !== (was.period === null) || wanted.past !== was.past) this.beat();
  }

  beat() {
    clearTimeout(this.timer);
    if (!this.context) return;
    const at = this.context.currentTime;
    this.gain.gain.cancelScheduledValues(at);
    if (!this.on || !this.wanted) {
      this.gain.gain.setTargetAtTime(0, at, 0.01);
      return;
    }
    // Past the mark it is rough: small loudspeakers have no low tones, but their overtones.
    this.voice.type = this.wanted.past ? "square" : "sine";
    this.voice.frequency.setTargetAtTime(this.wanted.hz, at, 0.01);
    this.gain.gain.setTargetAtTime(LOUD, at, 0.005);
    if (this.wanted.period === null) {
      this.timer = setTimeout(() => this.beat(), 500);
      return;
    }
    this.gain.gain.setTargetAtTime(0, at + BEEP_S, 0.012);
    this.timer = setTimeout(() => this.beat(), 1000 * this.wanted.period);
  }
}

export class Voice {
  constructor() {
    this.on = false;
    this.last = "";
    this.possible = "speechSynthesis" in window;
  }

  set(on) {
    this.on = on && this.possible;
    this.last = "";
    if (!this.on && this.possible) speechSynthesis.cancel();
  }

  /** Say something new; what is half said gives way, so that words never lag behind the knob. Where
   * only the figure is another, it is let to finish. */
  speak(text) {
    if (!this.on || !text || text === this.last) return;
    const bare = text.replace(/[\d.,/]+/g, "");
    if (bare === this.bare && performance.now() - this.at < FIGURE_MS) return;
    Object.assign(this, { last: text, bare, at: performance.now() });
    speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(text);
    words.lang = language;
    speechSynthesis.speak(words);
  }
}

const BUZZES = { mark: [400], past: [80, 60, 80, 60, 80], snug: [200, 100, 200], there: [200, 100, 200], sweep: [200, 100, 200], done: [100, 80, 100, 80, 500] };
const ALARM = [300, 100, 300, 100, 300];

/** Buzz where the plate comes to say something else that a hand has to follow. */
export function buzz(was, now) {
  if (!buzz.on || !navigator.userActivation?.hasBeenActive) return; // browsers forbid it before a touch
  if (was.mode === now.mode && (now.mode !== "turn" || was.heading === now.heading)) return;
  const pattern = BUZZES[now.mode] ?? (now.tone === "halt" || now.mode === "cloud" ? ALARM : now.mode === "turn" ? [120] : null);
  if (pattern) navigator.vibrate?.(pattern);
}
buzz.on = true;
