/** The eggs, one entry each: picture, number, stage, what is said of it, and what can be said. */
import { byId, createHtml } from "./dom.js";

const VERDICTS = { egg: "an egg", "not-egg": "not an egg" };

/** What can be said of one egg: key, words with the key's letter marked, and the name of the act. */
export const EGG_ACTIONS = [
  ["y", ["", "y", "es, an egg"], "confirm"],
  ["n", ["", "n", "ot an egg"], "reject"],
  ["c", ["", "c", "alcified"], "calcified"],
  ["t", ["", "t", "hin-shelled"], "thin-shelled"],
  ["f", ["", "f", "ollicle"], "follicle"],
  ["e", ["sam", "e", " as another"], "same"],
  ["d", ["", "d", "ivide: two eggs"], "divide"],
];

export class EggList {
  /** onSelect(number), onAction(name) : the person chose an egg, or says something of the chosen one */
  constructor(onSelect, onAction) {
    this.onSelect = onSelect;
    this.onAction = onAction;
    this.list = byId("eggs");
    this.entries = new Map();
  }

  show(eggs, chosen, { readOnly, picking }) {
    const open = eggs.filter((egg) => egg.verdict === null && egg.counted_by_batch).length;
    byId("remaining").textContent = open ? `${open} nobody has spoken of` : "all spoken of";
    const focused = this.list.contains(document.activeElement);
    this.list.replaceChildren(...eggs.map((egg) => this.entry(egg, egg.number === chosen, readOnly, picking)));
    const entry = this.entries.get(chosen);
    if (entry && focused) entry.querySelector("button").focus({ preventScroll: true });
  }

  reveal(number) {
    this.entries.get(number)?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  entry(egg, isChosen, readOnly, picking) {
    const said = egg.verdict ? VERDICTS[egg.verdict] : "";
    const stage = egg.staged ? `${egg.stage}, as ${egg.answered_by} says` : egg.stage;
    const name = `Number ${egg.number}, ${egg.stage}${said ? `, ${said}` : ""}`;
    const head = createHtml("button", {
      type: "button", class: "egg-button", "aria-pressed": String(isChosen), "aria-label": picking ? `The same as number ${egg.number}` : name,
      onclick: () => this.onSelect(egg.number),
    },
    createHtml("img", { src: egg.picture, width: 400, height: 300, alt: "", loading: "lazy" }),
    createHtml("span", { class: "number" }, String(egg.number)),
    createHtml("span", { class: "what" }, createHtml("b", {}, stage), createHtml("br"), egg.words),
    said ? createHtml("span", { class: `verdict ${egg.verdict}`, title: egg.answered_by ?? "" }, said) : null);
    const actions = isChosen && !readOnly ? createHtml("div", { class: "egg-actions", role: "group", "aria-label": `Say of number ${egg.number}` },
      ...EGG_ACTIONS.map(([key, [before, letter, after], act]) => createHtml("button", { type: "button", "aria-keyshortcuts": key, onclick: () => this.onAction(act) }, before, createHtml("u", {}, letter), after))) : null;
    const entry = createHtml("li", { class: `entry${isChosen ? " chosen" : ""}${egg.verdict === "not-egg" ? " rejected" : ""}${egg.counted ? "" : " uncounted"}` }, head, actions);
    this.entries.set(egg.number, entry);
    return entry;
  }
}
