/** What the user is doing, and how to finish it. While two eggs are compared, both pictures side by side. */
import { byId, createHtml, textButton } from "./dom.js";

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
    const cancel = button("Cancel", "cancel");
    const text = (words) => createHtml("span", {}, words);
    if (merging?.other) {
      return [text(`Are ${selected} and ${merging.other} the same egg?`), button("Same egg", "accept"), cancel];
    }
    if (merging) return [text(`${selected} is the same egg as which? Choose it, or press its number.`), cancel];
    if (drawing) {
      const stages = drawing.egg ? [] : STAGES.map((stage) => (
        textButton(stage, () => this.onAction(stage), stage === drawing.stage)
      ));
      const words = drawing.egg
        ? `Pull the handles of number ${drawing.egg.number}.` : "Drag along the egg, then pull the handles.";
      return [text(words), ...stages, button("Keep", "accept"), cancel];
    }
    if (unusableFrom !== null) {
      const words = `Unusable from frame ${unusableFrom}. Go to the last unusable frame.`;
      return [text(words), button("Mark up to here", "unusable"), cancel];
    }
    if (calipers) {
      return [text("Drag from one point to another."), createHtml("b", {}, calipers.text), button("Done", "cancel")];
    }
    return [];
  }
}

function figure(egg) {
  return createHtml(
    "figure",
    {},
    createHtml("img", { src: egg.picture, width: 400, height: 300, alt: `Number ${egg.number} where it is seen best` }),
    createHtml("figcaption", {}, createHtml("b", {}, String(egg.number)), ` ${egg.stage}, ${egg.description}`),
  );
}
