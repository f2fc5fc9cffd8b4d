/** The eggs, one entry each: picture, number, stage, what is said of it, and what can be said. */
import { at, make } from "./dom.js";

const VERDICTS = { egg: "an egg", "not-egg": "not an egg" };

/** What can be said of one egg: key, words with the key's letter marked, and the name of the act. */
export const ACTS = [
  ["y", ["", "y", "es, an egg"], "confirm"],
  ["n", ["", "n", "ot an egg"], "reject"],
  ["c", ["", "c", "alcified"], "calcified"],
  ["t", ["", "t", "hin-shelled"], "thin-shelled"],
  ["f", ["", "f", "ollicle"], "follicle"],
  ["e", ["sam", "e", " as another"], "same"],
  ["d", ["", "d", "ivide: two eggs"], "divide"],
];

export class Ledger {
  /** onchoose(number), onact(name) : the person chose an egg, or says something of the chosen one */
  constructor(onchoose, onact) {
    this.onchoose = onchoose;
    this.onact = onact;
    this.list = at("eggs");
    this.entries = new Map();
  }

  show(eggs, chosen, { closed, picking }) {
    const open = eggs.filter((egg) => egg.verdict === null && egg.listed).length;
    at("left").textContent = open ? `${open} nobody has spoken of` : "all spoken of";
    const focused = this.list.contains(document.activeElement);
    this.list.replaceChildren(...eggs.map((egg) => this.entry(egg, egg.number === chosen, closed, picking)));
    const entry = this.entries.get(chosen);
    if (entry && focused) entry.querySelector("button").focus({ preventScroll: true });
  }

  reveal(number) {
    this.entries.get(number)?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  entry(egg, isChosen, closed, picking) {
    const said = egg.verdict ? VERDICTS[egg.verdict] : "";
    const stage = egg.staged ? `${egg.stage}, as ${egg.by} says` : egg.stage;
    const name = `Number ${egg.number}, ${egg.stage}${said ? `, ${said}` : ""}`;
    const head = make("button", {
      type: "button", class: "pick", "aria-pressed": String(isChosen), "aria-label": picking ? `The same as number ${egg.number}` : name,
      onclick: () => this.onchoose(egg.number),
    },
    make("img", { src: egg.picture, width: 400, height: 300, alt: "", loading: "lazy" }),
    make("span", { class: "number" }, String(egg.number)),
    make("span", { class: "what" }, make("b", {}, stage), make("br"), egg.words),
    said ? make("span", { class: `stamp ${egg.verdict}`, title: egg.by ?? "" }, said) : null);
    const acts = isChosen && !closed ? make("div", { class: "saying", role: "group", "aria-label": `Say of number ${egg.number}` },
      ...ACTS.map(([key, [before, letter, after], act]) => make("button", { type: "button", "aria-keyshortcuts": key, onclick: () => this.onact(act) }, before, make("u", {}, letter), after))) : null;
    const entry = make("li", { class: `entry${isChosen ? " chosen" : ""}${egg.verdict === "not-egg" ? " out" : ""}${egg.counted ? "" : " uncounted"}` }, head, acts);
    this.entries.set(egg.number, entry);
    return entry;
  }
}
