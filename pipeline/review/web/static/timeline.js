/** The strip along the sweep: when each egg is in view, where frames were of use, and where the clip stands. */
import { at, draw } from "./dom.js";

const LABELS = 26; // room for the eggs' numbers
const ROW = 12;
const HEAD = 10; // band of frames that were of use

export class Strip {
  /** onseek(frame) : the person points at a frame */
  constructor(onseek) {
    this.holder = at("strip");
    this.width = 700;
    this.holder.addEventListener("pointerdown", (event) => {
      const seek = (move) => onseek(this.frameAt(move.clientX));
      seek(event);
      this.holder.setPointerCapture(event.pointerId);
      this.holder.addEventListener("pointermove", seek);
      this.holder.addEventListener("pointerup", () => this.holder.removeEventListener("pointermove", seek), { once: true });
    });
  }

  frameAt(clientX) {
    const box = this.holder.querySelector("svg").getBoundingClientRect();
    const x = ((clientX - box.left) / box.width) * this.width - LABELS;
    return Math.round((x / (this.width - LABELS)) * this.clip.frames - 0.5);
  }

  x(frame) { return LABELS + ((this.width - LABELS) * frame) / this.clip.frames; }

  show(clip, eggs, chosen, begun) {
    this.clip = clip;
    this.width = this.holder.clientWidth || 700; // drawn as wide as it is shown, so that numbers can be read
    const height = HEAD + ROW * eggs.length + 4;
    const parts = [];
    for (const [first, last] of clip.used) parts.push(this.bar(first, last, 1, 5, "used"));
    eggs.forEach((egg, row) => {
      const top = HEAD + ROW * row;
      const isChosen = egg.number === chosen;
      parts.push(draw("text", { x: LABELS - 6, y: top + 9.5, class: `number${isChosen ? " chosen" : ""}` }, String(egg.number)));
      parts.push(draw("line", { x1: LABELS, x2: this.width, y1: top + ROW, y2: top + ROW, class: "rule" }));
      for (const piece of egg.pieces) {
        if (piece.clip !== clip.file) continue;
        const out = egg.verdict === "not-egg" ? " out" : "";
        parts.push(this.bar(piece.first, piece.last, top + 2, ROW - 4, `${egg.stage}${out}${isChosen ? " chosen" : ""}`));
      }
    });
    for (const [first, last] of clip.unusable) parts.push(this.bar(first, last, 0, height, "unusable"));
    if (begun !== null) parts.push(draw("line", { x1: this.x(begun), x2: this.x(begun), y1: 0, y2: height, class: "begun" }));
    this.needle = draw("line", { y1: 0, y2: height, class: "needle" });
    const title = `When each egg is in view in ${clip.name}`;
    const drawing = draw("svg", { viewBox: `0 0 ${this.width} ${height}`, role: "img", "aria-label": title }, patterns(), ...parts, this.needle);
    this.holder.replaceChildren(drawing);
  }

  bar(first, last, y, height, kind) {
    return draw("rect", { x: this.x(first), y, width: Math.max(2, this.x(last + 1) - this.x(first)), height, class: kind });
  }

  at(frame) {
    if (!this.needle) return;
    this.needle.setAttribute("x1", this.x(frame + 0.5));
    this.needle.setAttribute("x2", this.x(frame + 0.5));
  }
}

/** Stages are told by the kind of filling, as on the sheet. */
function patterns() {
  const pattern = (id, ...inside) => draw("pattern", { id, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: id === "thin" ? "rotate(45)" : null },
    draw("rect", { width: 5, height: 5, class: "blank" }), ...inside);
  return draw("defs", {},
    pattern("thin", draw("rect", { width: 2.4, height: 5, class: "ink" })),
    pattern("soft", draw("circle", { cx: 2.5, cy: 2.5, r: 1.2, class: "ink" })),
    pattern("waste", draw("path", { d: "M0 0L5 5M5 0L0 5", class: "cross" })));
}
