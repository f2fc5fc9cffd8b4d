/** The part of the frame that is shown: zoom and pan, and where a pointer is on the frame. */
import { byId } from "./dom.js";

const MAXIMUM_ZOOM = 8;
const STEP = 1.25; // zoom of one press or one turn of the wheel
const CLICK_PX = 5; // a pointer that moved less was a click, px of the screen

export class Viewport {
  /** onChange() : called when another part is shown;  onClick([x, y]) : called when the user points at the frame */
  constructor(onChange, onClick) {
    this.onChange = onChange;
    this.onClick = onClick;
    this.screen = byId("screen");
    this.overlay = byId("overlay");
    this.isHeld = false; // another tool has the pointer
    this.pointers = new Map();
    this.moved = 0;
    this.screen.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.screen.addEventListener("pointerdown", (event) => this.down(event));
    this.screen.addEventListener("pointermove", (event) => this.move(event));
    for (const kind of ["pointerup", "pointercancel"]) {
      this.screen.addEventListener(kind, (event) => this.up(event));
    }
  }

  /** Show the whole frame of a clip. */
  reset(clip = this.frame) {
    this.frame = { width: clip.width, height: clip.height };
    this.set(0, 0, clip.width);
  }

  get zoom() { return this.frame.width / this.width; }

  set(x, y, width) {
    this.width = Math.min(this.frame.width, Math.max(this.frame.width / MAXIMUM_ZOOM, width));
    this.height = (this.width * this.frame.height) / this.frame.width;
    this.x = Math.max(0, Math.min(this.frame.width - this.width, x));
    this.y = Math.max(0, Math.min(this.frame.height - this.height, y));
    this.overlay.setAttribute("viewBox", `${this.x - 0.5} ${this.y - 0.5} ${this.width} ${this.height}`);
    this.screen.classList.toggle("zoomed", this.zoom > 1.001);
    this.onChange();
  }

  /** Zoom in (1) or out (-1) about a point of the frame, the middle if there is none. */
  zoomBy(steps, point = [this.x + this.width / 2, this.y + this.height / 2]) {
    const width = Math.min(this.frame.width, Math.max(this.frame.width / MAXIMUM_ZOOM, this.width / STEP ** steps));
    const share = width / this.width;
    this.set(point[0] - (point[0] - this.x) * share, point[1] - (point[1] - this.y) * share, width);
  }

  /** Move the part that is shown, if it is not the whole frame, so that this point is in it. */
  reveal([x, y]) {
    const isIn = x >= this.x && x <= this.x + this.width && y >= this.y && y <= this.y + this.height;
    if (!isIn) this.set(x - this.width / 2, y - this.height / 2, this.width);
  }

  /** Where a pointer is, px of the frame. */
  point(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.overlay.getScreenCTM().inverse());
    return [point.x, point.y];
  }

  /** px of the frame in one px of the screen. */
  get pixel() { return 1 / (this.overlay.getScreenCTM()?.a || 1); }

  wheel(event) {
    if (!event.ctrlKey || !this.frame) return; // the wheel alone scrolls the page
    event.preventDefault();
    this.zoomBy(event.deltaY < 0 ? 1 : -1, this.point(event));
  }

  down(event) {
    if (this.isHeld || event.button || !this.frame) return;
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    this.moved = this.pointers.size > 1 ? Infinity : 0;
    if (this.zoom > 1.001) this.screen.setPointerCapture(event.pointerId);
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before || this.isHeld) return;
    const [dx, dy] = [event.clientX - before[0], event.clientY - before[1]];
    this.moved += Math.hypot(dx, dy);
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (others.length) {
      const distance = (place) => Math.hypot(place[0] - others[0][0], place[1] - others[0][1]) || 1;
      const middle = {
        clientX: (event.clientX + others[0][0]) / 2,
        clientY: (event.clientY + others[0][1]) / 2,
      };
      const growth = distance([event.clientX, event.clientY]) / distance(before);
      this.zoomBy(Math.log(growth) / Math.log(STEP), this.point(middle));
    } else if (this.moved > CLICK_PX && this.zoom > 1.001) {
      this.set(this.x - dx * this.pixel, this.y - dy * this.pixel, this.width);
    }
  }

  up(event) {
    if (!this.pointers.delete(event.pointerId) || this.isHeld) return;
    if (event.type === "pointerup" && this.moved <= CLICK_PX) this.onClick(this.point(event));
  }
}
