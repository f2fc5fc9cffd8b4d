/** An outline that the user draws on a paused frame: dragged out, shaped by its handles, or moved by keys. */
import { byId, createSvg } from "./dom.js";
import { contains } from "./ellipses.js";

const MINIMUM_SEMI_AXIS = 4; // px of the frame
const FIRST_AXIS_RATIO = 0.7; // short over long axis while a new outline is dragged out
const KEY_STEP = 3; // px of the frame
const KEY_TURN = 5; // degrees
const HANDLE_RADIUS = 7; // px of the screen
const TOUCH_RADIUS = 14; // px of the screen around a handle that also take hold of it

export class OutlineEditor {
  /**
   * viewport : what part of the frame is shown;  onChange() : called when the outline changes
   * ellipse : [cx, cy, long, short, degrees], semi-axes, px of the frame
   */
  constructor(viewport, ellipse, onChange) {
    this.viewport = viewport;
    this.ellipse = ellipse;
    this.onChange = onChange;
    this.held = null;
    viewport.isHeld = true;
    this.listening = new AbortController();
    const { signal } = this.listening;
    byId("screen").addEventListener("pointerdown", (event) => this.down(event), { signal });
    byId("screen").addEventListener("pointermove", (event) => this.move(event), { signal });
    byId("screen").addEventListener("pointerup", () => { this.held = null; }, { signal });
    byId("screen").classList.add("drawing");
  }

  end() {
    this.listening.abort();
    this.viewport.isHeld = false;
    byId("screen").classList.remove("drawing");
  }

  /** The ellipse as the server expects it: the longer semi-axis first, degrees in [-90, 90). */
  answer() {
    let [cx, cy, long, short, degrees] = this.ellipse;
    if (short > long) [long, short, degrees] = [short, long, degrees + 90];
    degrees = ((((degrees + 90) % 180) + 180) % 180) - 90;
    return [cx, cy, long, short, degrees].map((value) => Math.round(value * 10) / 10);
  }

  down(event) {
    if (event.button) return;
    event.preventDefault();
    byId("screen").setPointerCapture(event.pointerId);
    const point = this.viewport.point(event);
    this.held = event.target.dataset?.handle ?? (contains(this.ellipse, point) ? "middle" : "new");
    this.from = point;
    this.before = [...this.ellipse];
  }

  move(event) {
    if (!this.held) return;
    const [x, y] = this.viewport.point(event);
    const [cx, cy, long, short, degrees] = this.before;
    if (this.held === "new") {
      const length = Math.max(MINIMUM_SEMI_AXIS, Math.hypot(x - this.from[0], y - this.from[1]) / 2);
      const turn = (Math.atan2(y - this.from[1], x - this.from[0]) * 180) / Math.PI;
      this.ellipse = [(x + this.from[0]) / 2, (y + this.from[1]) / 2, length, length * FIRST_AXIS_RATIO, turn];
    } else if (this.held === "middle") {
      this.ellipse = [cx + x - this.from[0], cy + y - this.from[1], long, short, degrees];
    } else if (this.held === "long") {
      const turn = (Math.atan2(y - cy, x - cx) * 180) / Math.PI;
      this.ellipse = [cx, cy, Math.max(MINIMUM_SEMI_AXIS, Math.hypot(x - cx, y - cy)), short, turn];
    } else {
      this.ellipse = [cx, cy, long, Math.max(MINIMUM_SEMI_AXIS, Math.hypot(x - cx, y - cy)), degrees];
    }
    this.onChange();
  }

  /** Arrows move the outline, with Shift they resize it, comma and full stop turn it. Whether it handled the key. */
  key(event) {
    const turn = { ",": -KEY_TURN, ".": KEY_TURN }[event.key];
    const arrow = {
      ArrowLeft: [-KEY_STEP, 0],
      ArrowRight: [KEY_STEP, 0],
      ArrowUp: [0, -KEY_STEP],
      ArrowDown: [0, KEY_STEP],
    }[event.key];
    const [cx, cy, long, short, degrees] = this.ellipse;
    if (turn) {
      this.ellipse = [cx, cy, long, short, degrees + turn];
    } else if (arrow && event.shiftKey) {
      const larger = (semiAxis, step) => Math.max(MINIMUM_SEMI_AXIS, semiAxis + step);
      this.ellipse = [cx, cy, larger(long, arrow[0]), larger(short, -arrow[1]), degrees];
    } else if (arrow) {
      this.ellipse = [cx + arrow[0], cy + arrow[1], long, short, degrees];
    } else {
      return false;
    }
    this.onChange();
    return true;
  }

  /** The SVG elements that show the outline and its handles. */
  elements(stage) {
    const [cx, cy, long, short, degrees] = this.ellipse;
    const turn = (degrees * Math.PI) / 180;
    const geometry = { cx, cy, rx: long, ry: short, transform: `rotate(${degrees} ${cx} ${cy})` };
    const { pixel } = this.viewport;
    const ends = [["long", long, 0], ["long", -long, 0], ["short", 0, short], ["short", 0, -short]];
    const handles = ends.flatMap(([handle, along, across]) => {
      const middle = {
        cx: cx + along * Math.cos(turn) - across * Math.sin(turn),
        cy: cy + along * Math.sin(turn) + across * Math.cos(turn),
        "data-handle": handle,
      };
      return [
        createSvg("circle", { ...middle, r: HANDLE_RADIUS * pixel, class: "handle" }),
        createSvg("circle", { ...middle, r: TOUCH_RADIUS * pixel, class: "touch" }),
      ];
    });
    return [
      createSvg("ellipse", { ...geometry, class: "edge" }),
      createSvg("ellipse", { ...geometry, class: `line drawn ${stage}` }),
      ...handles,
    ];
  }
}
