// The reading for ears: a tone whose pitch and beat tell the distance, and a few spoken words.

import { language } from "./language.js";

const BEEP_S = 0.07;
const LOUD = 0.25;

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

  /** Follow an advice: {hz, period} or null for silence. */
  follow(wanted) {
    const was = this.wanted;
    this.wanted = wanted;
    if (!this.context) return;
    if (!wanted || !was || (wanted.period === null) !== (was.period === null)) this.beat();
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

  /** Say something new; what is half said gives way, so that words never lag behind the knob. */
  speak(text) {
    if (!this.on || !text || text === this.last) return;
    this.last = text;
    speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(text);
    words.lang = language;
    speechSynthesis.speak(words);
  }
}
