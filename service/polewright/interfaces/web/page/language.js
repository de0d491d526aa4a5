// The page's sentences in the reader's language. English is the template itself, so without a
// catalogue the page is English. The service picks the language and hands out its sentences.

async function fetched() {
  try {
    const response = await fetch("/language.json", { cache: "no-store", signal: AbortSignal.timeout(3000) });
    if (response.ok) return await response.json();
  } catch {
    // No contact yet: the page says so itself, in English.
  }
  return { language: "en", messages: {}, plural: [] };
}

const catalogue = await fetched();

export const language = catalogue.language;

const filled = (template, values) => template.replace(/\{(\w+)\}/g, (_all, name) => values[name]);

/** The sentence of a template: a literal with {names}, whose values are given ready to show. */
export function say(template, values = {}) {
  return filled(catalogue.messages[template] || template, values);
}

/** One of two templates by a count, which both may show as {count}. */
export function sayCount(one, many, count, values = {}) {
  const forms = catalogue.messages[one];
  const index = catalogue.plural[count < 200 ? count : 100 + (count % 100)];
  const template = (forms && forms[index]) || (count === 1 ? one : many);
  return filled(template, { ...values, count });
}

const ATTRIBUTES = ["aria-label", "alt", "title", "placeholder"];

/** Put what the page is delivered with into the reader's language. */
export function sayDocument() {
  document.documentElement.lang = language;
  if (language === "en") return;
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const node = texts.currentNode;
    const found = catalogue.messages[node.data.trim().replace(/\s+/g, " ")];
    if (found) node.data = /^\s*/.exec(node.data)[0] + found + /\s*$/.exec(node.data)[0];
  }
  for (const name of ATTRIBUTES) {
    for (const element of document.querySelectorAll(`[${name}]`)) {
      const found = catalogue.messages[element.getAttribute(name)];
      if (found) element.setAttribute(name, found);
    }
  }
}
