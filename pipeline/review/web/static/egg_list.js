/** The list of findings: for each egg its picture, number, stage, remarks and answer. */
import { byId, createHtml } from "./dom.js";
import { gettext, stageName } from "./translation.js";

/** The answer to an egg in words, as on its stamp; "" without one. */
export function verdictText({ verdict, stage }) {
  const [kind, none] = stage === "follicle"
    ? [stageName("follicle"), gettext("not a follicle")] : [gettext("egg"), gettext("not an egg")];
  return { egg: kind, "not-egg": none, uncertain: gettext("cannot tell") }[verdict] ?? "";
}

/** For example "Egg 9". */
export function eggTitle({ stage, number }) {
  return stage === "follicle" ? gettext("Follicle {number}", { number }) : gettext("Egg {number}", { number });
}

/** For example "Egg 9, calcified, 75 % sure, frame 68": what is read out when an egg is chosen. */
export function eggName(egg) {
  const verdict = verdictText(egg);
  return [
    eggTitle(egg),
    ...(egg.stage === "follicle" ? [] : [stageName(egg.stage)]),
    ...(egg.counted ? [] : [egg.description]),
    egg.certainty,
    verdict && gettext("answered: {answer}", { answer: verdict }),
    gettext("frame {frame}", { frame: egg.best[1] }),
  ].filter(Boolean).join(", ");
}

export class EggList {
  /** onSelect(number) : called when the user chooses an egg */
  constructor(onSelect) {
    this.onSelect = onSelect;
    this.list = byId("eggs");
    this.entries = new Map();
  }

  /** eggs : in order;  selected : number of the chosen one */
  show(eggs, selected) {
    const hadFocus = this.list.contains(document.activeElement);
    this.entries = new Map(eggs.map((egg) => [egg.number, this.entry(egg, egg.number === selected)]));
    this.list.replaceChildren(...this.entries.values());
    this.list.hidden = eggs.length === 0;
    if (hadFocus) this.focus(selected);
  }

  /** Move the focus to an egg, which is then read out. The page does not scroll, the list does where it is one. */
  focus(number) {
    const entry = this.entries.get(number);
    if (!entry) return;
    entry.focus({ preventScroll: true });
    const { list } = this;
    if (list.scrollHeight <= list.clientHeight) return;
    const top = entry.offsetTop - list.offsetTop;
    if (top < list.scrollTop) list.scrollTop = top;
    const below = top + entry.offsetHeight - list.clientHeight;
    if (below > list.scrollTop) list.scrollTop = below;
  }

  entry(egg, isSelected) {
    const verdict = verdictText(egg);
    const lines = [
      egg.description,
      egg.certainty_text,
      egg.must_answer && gettext("to be answered before signing"),
    ].filter(Boolean);
    const classes = ["entry"];
    if (isSelected) classes.push("selected");
    if (egg.verdict === "not-egg") classes.push("rejected");
    if (!egg.counted) classes.push("uncounted");
    if (egg.must_answer) classes.push("must-answer");
    return createHtml(
      "li",
      {
        class: classes.join(" "),
        role: "option",
        tabindex: isSelected ? 0 : -1,
        "aria-selected": String(isSelected),
        "aria-label": eggName(egg),
        onclick: () => this.onSelect(egg.number),
      },
      createHtml("img", { src: egg.picture, width: 400, height: 300, alt: "", loading: "lazy" }),
      createHtml("span", { class: "number" }, String(egg.number)),
      createHtml(
        "span",
        { class: "what" },
        createHtml("b", {}, egg.staged
          ? gettext("{stage}, set by {name}", { stage: stageName(egg.stage), name: egg.answered_by })
          : stageName(egg.stage)),
        ...lines.flatMap((line) => [createHtml("br"), line]),
        ...egg.remarks.map((remark) => createHtml(
          "span",
          { class: "remark" },
          createHtml("b", {}, `${remark.who}: `),
          remark.remark,
        )),
      ),
      verdict ? createHtml("span", { class: `verdict ${egg.verdict}`, title: egg.answered_by ?? "" }, verdict) : null,
    );
  }
}
