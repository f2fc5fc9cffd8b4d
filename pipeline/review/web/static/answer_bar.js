/** The chosen egg below the picture, and the answers to it: always in the same place, whatever egg is chosen. */
import { byId, createHtml } from "./dom.js";
import { verdictText } from "./egg_list.js";

/** The answers to one egg: key, label with the key's letter separate, name of the action. */
const EGG_ACTIONS = [
  ["y", ["", "y", "es"], "confirm"],
  ["n", ["", "n", "ot an egg"], "reject"],
  ["c", ["", "c", "alcified"], "calcified"],
  ["t", ["", "t", "hin-shelled"], "thin-shelled"],
  ["f", ["", "f", "ollicle"], "follicle"],
  ["l", ["cannot te", "l", "l"], "uncertain"],
  ["e", ["sam", "e", " as \u2026"], "merge"],
  ["d", ["", "d", "ivide in two"], "split"],
];

export class AnswerBar {
  /** onAction(name) : called when the user answers */
  constructor(onAction) {
    this.buttons = EGG_ACTIONS.map(([key, [before, letter, after], action]) => createHtml(
      "button",
      { type: "button", "aria-keyshortcuts": key, "data-action": action, onclick: () => onAction(action) },
      before,
      createHtml("u", {}, letter),
      after,
    ));
    byId("answers").replaceChildren(...this.buttons);
  }

  /** egg : the chosen one, undefined without any;  isDisabled : the user draws, or may not answer */
  show(egg, isDisabled) {
    const verdict = egg ? verdictText(egg) : "";
    const isFollicle = egg?.stage === "follicle";
    const words = egg ? [isFollicle ? "" : egg.stage, egg.counted ? egg.certainty : egg.description] : [];
    byId("chosen").replaceChildren(...(egg ? [
      createHtml("b", {}, `${isFollicle ? "Follicle" : "Egg"} ${egg.number}`),
      ` ${words.filter(Boolean).join(", ")}`,
      ...(verdict ? [" ", createHtml("span", { class: `verdict ${egg.verdict}` }, verdict)] : []),
    ] : []));
    byId("answers").setAttribute("aria-label", egg ? `Answers to number ${egg.number}` : "Answers");
    for (const button of this.buttons) button.disabled = isDisabled || !egg;
  }
}
