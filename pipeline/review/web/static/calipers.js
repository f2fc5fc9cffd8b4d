/** Calipers: the distance between two points of the frame, in mm. Drawn with a pointer, moved by the arrow keys. */
import { byId, createSvg } from "./dom.js";
import { decimal, gettext } from "./translation.js";

const TICK = 6; // px of the screen, half the length of an end's mark
const TEXT_SIZE = 14; // px of the screen
const KEY_STEP = 1; // px of the frame

export class Calipers {
  /** viewport : what part of the frame is shown;  clip : has the scale;  onChange() : called when the calipers move */
  constructor(viewport, clip, onChange) {
    this.viewport = viewport;
    this.clip = clip;
    this.onChange = onChange;
    const { x, y, width, height } = viewport;
    this.ends = [[x + width * 0.4, y + height / 2], [x + width * 0.6, y + height / 2]];
    this.held = null;
    viewport.isHeld = true;
    this.listening = new AbortController();
    const { signal } = this.listening;
    const screen = byId("screen");
    screen.addEventListener("pointerdown", (event) => this.down(event), { signal });
    screen.addEventListener("pointermove", (event) => this.move(event), { signal });
    screen.addEventListener("pointerup", () => { this.held = null; }, { signal });
    screen.classList.add("drawing");
  }

  end() {
    this.listening.abort();
    this.viewport.isHeld = false;
    byId("screen").classList.remove("drawing");
  }

  /** For example "21.4 mm"; px where the clip has no scale. */
  get text() {
    const [[x1, y1], [x2, y2]] = this.ends;
    const length = Math.hypot(x2 - x1, y2 - y1);
    const scale = this.clip.mm_per_px;
    return scale ? `${decimal(length * scale, 1)} mm` : gettext("{length} px, no scale", { length: length.toFixed(0) });
  }

  /** Takes hold of an end that is near, else begins anew. */
  down(event) {
    if (event.button) return;
    event.preventDefault();
    byId("screen").setPointerCapture(event.pointerId);
    const point = this.viewport.point(event);
    const distances = this.ends.map(([x, y]) => Math.hypot(x - point[0], y - point[1]));
    const near = distances.indexOf(Math.min(...distances));
    if (distances[near] < 3 * TICK * this.viewport.pixel) {
      this.held = near;
    } else {
      this.ends = [point, point];
      this.held = 1;
    }
    this.onChange();
  }

  move(event) {
    if (this.held === null) return;
    this.ends = this.ends.map((end, index) => (index === this.held ? this.viewport.point(event) : end));
    this.onChange();
  }

  /** Arrows move the second end, with Shift the first one. Whether it handled the key. */
  key(event) {
    const by = {
      ArrowLeft: [-KEY_STEP, 0], ArrowRight: [KEY_STEP, 0], ArrowUp: [0, -KEY_STEP], ArrowDown: [0, KEY_STEP],
    }[event.key];
    if (!by) return false;
    const moved = event.shiftKey ? 0 : 1;
    this.ends = this.ends.map(([x, y], index) => (index === moved ? [x + by[0], y + by[1]] : [x, y]));
    this.onChange();
    return true;
  }

  elements() {
    const [[x1, y1], [x2, y2]] = this.ends;
    const { pixel } = this.viewport;
    const angle = Math.atan2(y2 - y1, x2 - x1) + Math.PI / 2;
    const [dx, dy] = [Math.cos(angle) * TICK * pixel, Math.sin(angle) * TICK * pixel];
    const lines = [[x1, y1, x2, y2], ...this.ends.map(([x, y]) => [x - dx, y - dy, x + dx, y + dy])];
    const drawn = ["edge", "caliper"].flatMap((name) => lines.map(([a, b, c, d]) => (
      createSvg("line", { x1: a, y1: b, x2: c, y2: d, class: name })
    )));
    const place = {
      x: (x1 + x2) / 2, y: Math.min(y1, y2) - 8 * pixel, "font-size": TEXT_SIZE * pixel, "text-anchor": "middle",
    };
    return [...drawn, createSvg("text", { ...place, class: "egg-number selected" }, this.text)];
  }
}
