// What a screen reader says by itself: a change of meaning, not every new figure.

const SETTLED_MS = 700; // what changes back sooner was not worth a word (own choice)

/** A sentence without its figures: two that differ in these alone mean the same. */
const bare = (text) => text.replace(/[\d.,:½¼¾⅛⅜⅝⅞]+/g, "").replace(/\b(arcsec|arcmin|deg)\b/g, "");

export class Announcer {
  /** element: a status region that nothing else writes into. */
  constructor(element) {
    this.element = element;
    this.said = "";
    this.next = "";
    this.timer = 0;
  }

  /** Tell what is on the plate: a word, what to do, and cautions. */
  tell({ mode, word, heading, sentence, cautions }) {
    const meaning = [mode, word, heading, ...(mode === "turn" ? [] : [bare(sentence)]), ...cautions.map(bare)].join("|");
    this.words = [word, sentence, ...cautions].join(" ");
    if (meaning === this.next) return;
    this.next = meaning;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      if (meaning === this.said) return;
      this.said = meaning;
      this.element.textContent = this.words;
    }, SETTLED_MS);
  }
}
