/** The timeline of a clip: when each egg is in view, which frames were used, and the frame on the screen. */
import { byId, createSvg } from "./dom.js";
import { gettext } from "./translation.js";

// Units of the drawing, which are px of the screen.
const LABEL_WIDTH = 26; // for the eggs' numbers
const ROW_HEIGHT = 12; // of one egg
const HEADER_HEIGHT = 10; // for the bar of used frames

export class Timeline {
  /** onSeek(frame) : called when the user points at a frame */
  constructor(onSeek) {
    this.holder = byId("timeline");
    this.width = 700;
    this.clip = null;
    this.holder.addEventListener("pointerdown", (event) => {
      if (!this.clip) return;
      const seek = (move) => onSeek(this.frameAt(move.clientX));
      seek(event);
      this.holder.setPointerCapture(event.pointerId);
      this.holder.addEventListener("pointermove", seek);
      const release = () => this.holder.removeEventListener("pointermove", seek);
      this.holder.addEventListener("pointerup", release, { once: true });
    });
  }

  frameAt(clientX) {
    const box = this.holder.querySelector("svg").getBoundingClientRect();
    const x = ((clientX - box.left) / box.width) * this.width - LABEL_WIDTH;
    return Math.round((x / (this.width - LABEL_WIDTH)) * this.clip.frames - 0.5);
  }

  x(frame) { return LABEL_WIDTH + ((this.width - LABEL_WIDTH) * frame) / this.clip.frames; }

  /**
   * eggs : those in view in the clip have a row each
   * unusableFrom : first frame of a range that the user is marking, null if none
   */
  show(clip, eggs, selected, unusableFrom) {
    this.clip = clip;
    const inClip = eggs.filter((egg) => egg.segments.some((segment) => segment.clip === clip.file));
    this.width = this.holder.clientWidth || 700; // drawn at the width on the screen, so that numbers are legible
    const height = HEADER_HEIGHT + ROW_HEIGHT * inClip.length + 4;
    const parts = clip.used.map(([first, last]) => this.bar(first, last, 1, 5, "used"));
    inClip.forEach((egg, row) => {
      parts.push(...this.row(egg, HEADER_HEIGHT + ROW_HEIGHT * row, egg.number === selected));
    });
    parts.push(...clip.unusable.map(([first, last]) => this.bar(first, last, 0, height, "unusable")));
    if (unusableFrom !== null) {
      const x = this.x(unusableFrom);
      parts.push(createSvg("line", { x1: x, x2: x, y1: 0, y2: height, class: "range-start" }));
    }
    this.playhead = createSvg("line", { y1: 0, y2: height, class: "playhead" });
    const label = gettext("When each egg is in view in {clip}", { clip: clip.name });
    this.holder.replaceChildren(createSvg(
      "svg",
      { viewBox: `0 0 ${this.width} ${height}`, role: "img", "aria-label": label },
      patterns(),
      ...parts,
      this.playhead,
    ));
  }

  row(egg, top, isSelected) {
    const suffix = isSelected ? " selected" : "";
    const kind = `${egg.stage}${egg.verdict === "not-egg" ? " rejected" : ""}${suffix}`;
    const bottom = top + ROW_HEIGHT;
    const number = { x: LABEL_WIDTH - 6, y: top + 9.5, class: `number${suffix}` };
    return [
      createSvg("text", number, String(egg.number)),
      createSvg("line", { x1: LABEL_WIDTH, x2: this.width, y1: bottom, y2: bottom, class: "rule" }),
      ...egg.segments
        .filter((segment) => segment.clip === this.clip.file)
        .map((segment) => this.bar(segment.first, segment.last, top + 2, ROW_HEIGHT - 4, kind)),
    ];
  }

  bar(first, last, y, height, kind) {
    const width = Math.max(2, this.x(last + 1) - this.x(first));
    return createSvg("rect", { x: this.x(first), y, width, height, class: kind });
  }

  setPlayhead(frame) {
    if (!this.playhead) return;
    this.playhead.setAttribute("x1", this.x(frame + 0.5));
    this.playhead.setAttribute("x2", this.x(frame + 0.5));
  }
}

/** The patterns of the bars: stages differ by pattern, not by colour alone, as on the sheet. */
function patterns() {
  const pattern = (id, mark, transform = null) => createSvg(
    "pattern",
    { id, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: transform },
    createSvg("rect", { width: 5, height: 5, class: "blank" }),
    mark,
  );
  return createSvg(
    "defs",
    {},
    pattern("hatch-thin-shelled", createSvg("rect", { width: 2.4, height: 5, class: "ink" }), "rotate(45)"),
    pattern("dots-follicle", createSvg("circle", { cx: 2.5, cy: 2.5, r: 1.2, class: "ink" })),
    pattern("hatch-unusable", createSvg("path", { d: "M0 0L5 5M5 0L0 5", class: "cross" })),
  );
}
