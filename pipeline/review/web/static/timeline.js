/** The strip along the sweep: when each egg is in view, where frames were of use, and where the clip stands. */
import { byId, createSvg } from "./dom.js";

const LABELS = 26; // room for the eggs' numbers
const ROW = 12;
const HEAD = 10; // band of frames that were of use

export class Timeline {
  /** onSeek(frame) : the person points at a frame */
  constructor(onSeek) {
    this.holder = byId("timeline");
    this.width = 700;
    this.holder.addEventListener("pointerdown", (event) => {
      const seek = (move) => onSeek(this.frameAt(move.clientX));
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

  show(clip, eggs, chosen, unusableFrom) {
    this.clip = clip;
    this.width = this.holder.clientWidth || 700; // drawn as wide as it is shown, so that numbers can be read
    const height = HEAD + ROW * eggs.length + 4;
    const parts = [];
    for (const [first, last] of clip.used) parts.push(this.bar(first, last, 1, 5, "used"));
    eggs.forEach((egg, row) => {
      const top = HEAD + ROW * row;
      const isChosen = egg.number === chosen;
      parts.push(createSvg("text", { x: LABELS - 6, y: top + 9.5, class: `number${isChosen ? " chosen" : ""}` }, String(egg.number)));
      parts.push(createSvg("line", { x1: LABELS, x2: this.width, y1: top + ROW, y2: top + ROW, class: "rule" }));
      for (const segment of egg.segments) {
        if (segment.clip !== clip.file) continue;
        const rejected = egg.verdict === "not-egg" ? " rejected" : "";
        parts.push(this.bar(segment.first, segment.last, top + 2, ROW - 4, `${egg.stage}${rejected}${isChosen ? " chosen" : ""}`));
      }
    });
    for (const [first, last] of clip.unusable) parts.push(this.bar(first, last, 0, height, "unusable"));
    if (unusableFrom !== null) parts.push(createSvg("line", { x1: this.x(unusableFrom), x2: this.x(unusableFrom), y1: 0, y2: height, class: "range-start" }));
    this.playhead = createSvg("line", { y1: 0, y2: height, class: "playhead" });
    const title = `When each egg is in view in ${clip.name}`;
    const drawing = createSvg("svg", { viewBox: `0 0 ${this.width} ${height}`, role: "img", "aria-label": title }, patterns(), ...parts, this.playhead);
    this.holder.replaceChildren(drawing);
  }

  bar(first, last, y, height, kind) {
    return createSvg("rect", { x: this.x(first), y, width: Math.max(2, this.x(last + 1) - this.x(first)), height, class: kind });
  }

  setPlayhead(frame) {
    if (!this.playhead) return;
    this.playhead.setAttribute("x1", this.x(frame + 0.5));
    this.playhead.setAttribute("x2", this.x(frame + 0.5));
  }
}

/** Stages are told by the kind of filling, as on the sheet. */
function patterns() {
  const pattern = (id, ...inside) => createSvg("pattern", { id, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: id === "hatch-thin-shelled" ? "rotate(45)" : null },
    createSvg("rect", { width: 5, height: 5, class: "blank" }), ...inside);
  return createSvg("defs", {},
    pattern("hatch-thin-shelled", createSvg("rect", { width: 2.4, height: 5, class: "ink" })),
    pattern("dots-follicle", createSvg("circle", { cx: 2.5, cy: 2.5, r: 1.2, class: "ink" })),
    pattern("hatch-unusable", createSvg("path", { d: "M0 0L5 5M5 0L0 5", class: "cross" })));
}
