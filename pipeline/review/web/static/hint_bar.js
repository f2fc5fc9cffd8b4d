/** What the user is doing, and how to finish it. While two eggs are compared, both pictures side by side. */
import { byId, createHtml, textButton } from "./dom.js";
import { gettext, stageName } from "./translation.js";

const STAGES = ["calcified", "thin-shelled", "follicle"];

export class HintBar {
  /** onAction(name) : called when the user presses one of its buttons */
  constructor(onAction) {
    this.onAction = onAction;
    this.shown = "";
  }

  show(page) {
    const { merging, drawing, unusableFrom, calipers, selected } = page;
    const shown = JSON.stringify([
      merging, merging && selected, drawing && [drawing.stage, drawing.egg?.number], unusableFrom, calipers?.text,
    ]);
    if (shown === this.shown) return; // so that its buttons stay while an outline is dragged
    this.shown = shown;
    const hadFocus = byId("hint").contains(document.activeElement);
    byId("hint").replaceChildren(...this.content(page));
    byId("hint").hidden = byId("hint").childElementCount === 0;
    const compared = merging?.other ? [page.egg(), page.egg(merging.other)] : [];
    byId("comparison").replaceChildren(...compared.map(figure));
    byId("comparison").hidden = !merging?.other;
    if (hadFocus) byId("hint").querySelector("button")?.focus();
  }

  content({ merging, drawing, unusableFrom, calipers, selected }) {
    const button = (label, action) => (
      createHtml("button", { type: "button", onclick: () => this.onAction(action) }, label)
    );
    const cancel = button(gettext("Cancel"), "cancel");
    const text = (words) => createHtml("span", {}, words);
    if (merging?.other) {
      const question = gettext("Are {number} and {other} the same egg?", { number: selected, other: merging.other });
      return [text(question), button(gettext("Same egg"), "accept"), cancel];
    }
    if (merging) {
      const values = { number: selected };
      return [text(gettext("{number} is the same egg as which? Choose it, or press its number.", values)), cancel];
    }
    if (drawing) {
      const stages = drawing.egg ? [] : STAGES.map((stage) => (
        textButton(stageName(stage), () => this.onAction(stage), stage === drawing.stage)
      ));
      const words = drawing.egg
        ? gettext("Pull the handles of number {number}.", { number: drawing.egg.number })
        : gettext("Drag along the egg, then pull the handles.");
      return [text(words), ...stages, button(gettext("Keep"), "accept"), cancel];
    }
    if (unusableFrom !== null) {
      const words = gettext("Unusable from frame {frame}. Go to the last unusable frame.", { frame: unusableFrom });
      return [text(words), button(gettext("Mark up to here"), "unusable"), cancel];
    }
    if (calipers) {
      const words = gettext("Drag from one point to another.");
      return [text(words), createHtml("b", {}, calipers.text), button(gettext("Done"), "cancel")];
    }
    return [];
  }
}

function figure(egg) {
  const alt = gettext("Number {number} where it is seen best", { number: egg.number });
  return createHtml(
    "figure",
    {},
    createHtml("img", { src: egg.picture, width: 400, height: 300, alt }),
    createHtml("figcaption", {}, createHtml("b", {}, String(egg.number)), ` ${stageName(egg.stage)}, ${egg.description}`),
  );
}
