/** An outline drawn by hand on a paused frame: dragged, shifted by its handles, or moved by keys. */
import { byId, createSvg } from "./dom.js";

const SMALLEST = 4; // px, semi-axis
const ROUNDNESS = 0.7; // short over long axis of a first drag

export class OutlineEditor {
  /** ellipse : [cx, cy, long, short, degrees];  onChange : it looks different now */
  constructor(ellipse, onChange) {
    this.ellipse = ellipse;
    this.onChange = onChange;
    this.overlay = byId("overlay");
    this.held = null;
    this.listening = new AbortController();
    const { signal } = this.listening;
    byId("screen").addEventListener("pointerdown", (event) => this.down(event), { signal });
    byId("screen").addEventListener("pointermove", (event) => this.move(event), { signal });
    byId("screen").addEventListener("pointerup", () => { this.held = null; }, { signal });
    byId("screen").classList.add("drawing");
  }

  end() {
    this.listening.abort();
    byId("screen").classList.remove("drawing");
  }

  /** As the server wants it: the longer semi-axis first, degrees in [-90, 90). */
  answer() {
    let [cx, cy, long, short, degrees] = this.ellipse;
    if (short > long) [long, short, degrees] = [short, long, degrees + 90];
    degrees = ((((degrees + 90) % 180) + 180) % 180) - 90;
    return [cx, cy, long, short, degrees].map((value) => Math.round(value * 10) / 10);
  }

  point(event) {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.overlay.getScreenCTM().inverse());
    return [place.x, place.y];
  }

  down(event) {
    if (event.button) return;
    event.preventDefault();
    byId("screen").setPointerCapture(event.pointerId);
    const place = this.point(event);
    this.held = event.target.dataset?.handle ?? (this.holds(place) ? "middle" : "new");
    this.from = place;
    this.before = [...this.ellipse];
  }

  move(event) {
    if (!this.held) return;
    const [x, y] = this.point(event);
    const [cx, cy, long, short, degrees] = this.before;
    if (this.held === "new") {
      const length = Math.max(SMALLEST, Math.hypot(x - this.from[0], y - this.from[1]) / 2);
      const turn = (Math.atan2(y - this.from[1], x - this.from[0]) * 180) / Math.PI;
      this.ellipse = [(x + this.from[0]) / 2, (y + this.from[1]) / 2, length, length * ROUNDNESS, turn];
    } else if (this.held === "middle") {
      this.ellipse = [cx + x - this.from[0], cy + y - this.from[1], long, short, degrees];
    } else if (this.held === "long") {
      const turn = (Math.atan2(y - cy, x - cx) * 180) / Math.PI;
      this.ellipse = [cx, cy, Math.max(SMALLEST, Math.hypot(x - cx, y - cy)), short, turn];
    } else {
      this.ellipse = [cx, cy, long, Math.max(SMALLEST, Math.hypot(x - cx, y - cy)), degrees];
    }
    this.onChange();
  }

  holds([x, y]) {
    const [cx, cy, long, short, degrees] = this.ellipse;
    const turn = (degrees * Math.PI) / 180;
    const along = (x - cx) * Math.cos(turn) + (y - cy) * Math.sin(turn);
    const across = (y - cy) * Math.cos(turn) - (x - cx) * Math.sin(turn);
    return Math.hypot(along / long, across / short) <= 1;
  }

  /** Arrows move it; with Shift they change its axes; comma and full stop turn it. Whether the key was for it. */
  key(event) {
    const step = 3;
    const turns = { ",": -5, ".": 5 };
    const arrows = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    const [cx, cy, long, short, degrees] = this.ellipse;
    if (turns[event.key]) this.ellipse = [cx, cy, long, short, degrees + turns[event.key]];
    else if (arrows[event.key] && event.shiftKey) {
      const [wider, lower] = arrows[event.key];
      this.ellipse = [cx, cy, Math.max(SMALLEST, long + wider), Math.max(SMALLEST, short - lower), degrees];
    } else if (arrows[event.key]) this.ellipse = [cx + arrows[event.key][0], cy + arrows[event.key][1], long, short, degrees];
    else return false;
    this.onChange();
    return true;
  }

  elements(stage) {
    const [cx, cy, long, short, degrees] = this.ellipse;
    const turn = (degrees * Math.PI) / 180;
    const traits = { cx, cy, rx: long, ry: short, transform: `rotate(${degrees} ${cx} ${cy})` };
    const ends = [["long", long, 0], ["long", -long, 0], ["short", 0, short], ["short", 0, -short]];
    const handles = ends.map(([handle, along, across]) => createSvg("circle", {
      cx: cx + along * Math.cos(turn) - across * Math.sin(turn),
      cy: cy + along * Math.sin(turn) + across * Math.cos(turn),
      r: (7 * this.overlay.viewBox.baseVal.width) / (this.overlay.clientWidth || 700), class: "handle", "data-handle": handle,
    }));
    return [createSvg("ellipse", { ...traits, class: "edge" }), createSvg("ellipse", { ...traits, class: `line sketch ${stage}` }), ...handles];
  }
}
