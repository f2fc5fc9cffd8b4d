/** The chosen egg below the picture, and the answers to it: always in the same place, whatever egg is chosen. */
import { byId, createHtml } from "./dom.js";
import { eggTitle, verdictText } from "./egg_list.js";
import { gettext, keyed, stageName } from "./translation.js";

/** The answers to one egg: label with its key in brackets, name of the action. The keys are those of ``keys.js``. */
const EGG_ACTIONS = [
  ["y", gettext("[y]es"), "confirm"],
  ["n", gettext("[n]ot an egg"), "reject"],
  ["c", gettext("[c]alcified"), "calcified"],
  ["t", gettext("[t]hin-shelled"), "thin-shelled"],
  ["f", gettext("[f]ollicle"), "follicle"],
  ["l", gettext("cannot te[l]l"), "uncertain"],
  ["e", gettext("sam[e] as \u2026"), "merge"],
  ["d", gettext("[d]ivide in two"), "split"],
];

export class AnswerBar {
  /** onAction(name) : called when the user answers */
  constructor(onAction) {
    this.buttons = EGG_ACTIONS.map(([key, label, action]) => createHtml(
      "button",
      { type: "button", "aria-keyshortcuts": key, "data-action": action, onclick: () => onAction(action) },
      ...keyed(label, createHtml),
    ));
    byId("answers").replaceChildren(...this.buttons);
  }

  /** egg : the chosen one, undefined without any;  isDisabled : the user draws, or may not answer */
  show(egg, isDisabled) {
    const verdict = egg ? verdictText(egg) : "";
    const isFollicle = egg?.stage === "follicle";
    const words = egg ? [isFollicle ? "" : stageName(egg.stage), egg.counted ? egg.certainty : egg.description] : [];
    byId("chosen").replaceChildren(...(egg ? [
      createHtml("b", {}, eggTitle(egg)),
      ` ${words.filter(Boolean).join(", ")}`,
      ...(verdict ? [" ", createHtml("span", { class: `verdict ${egg.verdict}` }, verdict)] : []),
    ] : []));
    byId("answers").setAttribute("aria-label", egg
      ? gettext("Answers to number {number}", { number: egg.number }) : gettext("Answers"));
    for (const button of this.buttons) button.disabled = isDisabled || !egg;
  }
}
