/** The list of findings: for each egg its picture, number, stage, answer, and the possible answers. */
import { byId, createHtml } from "./dom.js";

const VERDICTS = { egg: "confirmed", "not-egg": "not an egg" };

/** The answers to one egg: key, label with the key's letter separate, name of the action. */
const EGG_ACTIONS = [
  ["y", ["", "y", "es, confirm"], "confirm"],
  ["n", ["", "n", "ot an egg"], "reject"],
  ["c", ["", "c", "alcified"], "calcified"],
  ["t", ["", "t", "hin-shelled"], "thin-shelled"],
  ["f", ["", "f", "ollicle"], "follicle"],
  ["e", ["m", "e", "rge with another"], "merge"],
  ["d", ["", "d", "ivide in two"], "split"],
];

export class EggList {
  /** onSelect(number) : called when the user selects an egg;  onAction(name) : when the user answers */
  constructor(onSelect, onAction) {
    this.onSelect = onSelect;
    this.onAction = onAction;
    this.list = byId("eggs");
    this.entries = new Map();
  }

  /** isMerging : the next selected egg will be merged with the present one */
  show(eggs, selected, { isReadOnly, isMerging }) {
    const hasFocus = this.list.contains(document.activeElement);
    this.list.replaceChildren(...eggs.map((egg) => this.entry(egg, egg.number === selected, isReadOnly, isMerging)));
    const entry = this.entries.get(selected);
    if (entry && hasFocus) entry.querySelector("button").focus({ preventScroll: true });
  }

  reveal(number) {
    this.entries.get(number)?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  entry(egg, isSelected, isReadOnly, isMerging) {
    const verdict = VERDICTS[egg.verdict] ?? "";
    const name = `Number ${egg.number}, ${egg.stage}${verdict ? `, ${verdict}` : ""}`;
    const button = createHtml(
      "button",
      {
        type: "button",
        class: "egg-button",
        "aria-pressed": String(isSelected),
        "aria-label": isMerging ? `Merge with number ${egg.number}` : name,
        onclick: () => this.onSelect(egg.number),
      },
      createHtml("img", { src: egg.picture, width: 400, height: 300, alt: "", loading: "lazy" }),
      createHtml("span", { class: "number" }, String(egg.number)),
      createHtml(
        "span",
        { class: "what" },
        createHtml("b", {}, egg.staged ? `${egg.stage}, set by ${egg.answered_by}` : egg.stage),
        createHtml("br"),
        egg.description,
        ...(egg.certainty ? [createHtml("br"), egg.certainty] : []),
      ),
      verdict ? createHtml("span", { class: `verdict ${egg.verdict}`, title: egg.answered_by ?? "" }, verdict) : null,
    );
    const classes = ["entry"];
    if (isSelected) classes.push("selected");
    if (egg.verdict === "not-egg") classes.push("rejected");
    if (!egg.counted) classes.push("uncounted");
    const answers = isSelected && !isReadOnly ? this.answerButtons(egg) : null;
    const entry = createHtml("li", { class: classes.join(" ") }, button, answers);
    this.entries.set(egg.number, entry);
    return entry;
  }

  answerButtons(egg) {
    const buttons = EGG_ACTIONS.map(([key, [before, letter, after], action]) => createHtml(
      "button",
      { type: "button", "aria-keyshortcuts": key, onclick: () => this.onAction(action) },
      before,
      createHtml("u", {}, letter),
      after,
    ));
    return createHtml(
      "div",
      { class: "egg-actions", role: "group", "aria-label": `Answers to number ${egg.number}` },
      ...buttons,
    );
  }
}
