/** Sentences in the language of the page, which hands over those that its scripts need. English is in the scripts. */

const { plural = "", sentences = {}, decimal_mark: decimalMark = "." } = JSON.parse(
  document.getElementById("sentences").textContent,
);
const HUNDRED = 100; // from there on, the plural depends on the last two digits

/** As a BCP 47 tag; English dates have the day first. */
export const language = document.documentElement.lang === "en" ? "en-GB" : document.documentElement.lang;

const filled = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);

/** The sentence with its values, as in gettext("Signed by {name}", { name }). */
export const gettext = (message, values = {}) => filled(sentences[message] ?? message, values);

/** The same for words that say where they stand, as those that another language tells apart. */
export const pgettext = (context, message, values = {}) => (
  filled(sentences[`${context}\u0004${message}`] ?? message, values)
);

/** The sentence in the form that goes with a number, which is its value ``number``. */
export function ngettext(one, many, number, values = {}) {
  const form = sentences[one]?.[plural[number] ?? plural[HUNDRED + (number % HUNDRED)]];
  return filled(form ?? (number === 1 ? one : many), { number, ...values });
}

/** Text and elements in the order of a translated sentence: it is split where an element is its value. */
export const withElements = (sentence, elements) => (
  sentence.split(/\{(\w+)\}/).map((part, place) => (place % 2 ? elements[part] : part))
);

/** A label whose key is in brackets: underlined in a word, else by itself. Text and elements, as "Si[g]n", "undo [z]". */
export function keyed(label, createHtml) {
  const [before, key, after] = label.split(/\[(.)\]/);
  if (!key) return [label];
  return [before, createHtml(before.endsWith(" ") && !after ? "kbd" : "u", {}, key), after];
}

/** The number with so many digits after the mark. */
export const decimal = (value, digits) => value.toFixed(digits).replace(".", decimalMark);

const STAGES = {
  calcified: pgettext("stored", "calcified"),
  "thin-shelled": pgettext("stored", "thin-shelled"),
  follicle: pgettext("stored", "follicle"),
};
const SEVERITIES = {
  "vet today": pgettext("stored", "vet today"), check: pgettext("stored", "check"), note: pgettext("stored", "note"),
};

export const stageName = (stage) => STAGES[stage];
export const severityName = (severity) => SEVERITIES[severity];
