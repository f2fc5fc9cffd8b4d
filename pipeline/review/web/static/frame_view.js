/**
 * The clip on the screen: frames by number, fetched ahead, with outlines over them.
 *
 * Coordinates are pixels of the source frame, pixel centres at whole numbers, so the drawing begins at -0.5.
 */
import { byId, createSvg } from "./dom.js";

const AHEAD = 24; // frames fetched ahead of the one shown
const KEPT = 160; // frames held
const CLEARANCE = 4; // px between an outline and its line, which would hide the shell's rim
const LABEL_SIZE = 15; // px of the screen, however large the frame is
const NEAR = 2; // frames; an outline is shown over a gap as short as this
const SLOWEST = 25; // frames a second where the clip does not tell

export class FrameView {
  /** folder : of the exam's addresses;  onFrame(clipIndex, frame) : called when another one is on the screen */
  constructor(folder, clips, onFrame) {
    this.folder = folder;
    this.clips = clips;
    this.onFrame = onFrame;
    this.clipIndex = 0;
    this.frame = 0;
    this.playing = false;
    this.images = new Map();
    this.outlines = new Map();
    this.marks = [];
    this.extra = null;
    this.canvas = byId("picture");
    this.overlay = byId("overlay");
  }

  get clip() { return this.clips[this.clipIndex]; }

  show(clipIndex, frame) {
    if (!this.clip) return;
    this.clipIndex = clipIndex;
    this.frame = Math.max(0, Math.min(this.clip.frames - 1, frame));
    const { width, height } = this.clip;
    if (this.canvas.width !== width || this.canvas.height !== height) {
      this.canvas.width = width;
      this.canvas.height = height;
    }
    this.overlay.setAttribute("viewBox", `-0.5 -0.5 ${width} ${height}`);
    this.paint();
    this.needOutlines(clipIndex);
    this.drawOutlines();
    this.onFrame(this.clipIndex, this.frame);
  }

  image(clipIndex, frame) {
    const address = `${this.folder}/clips/${clipIndex}/frames/${frame}`;
    let image = this.images.get(address);
    if (!image) {
      image = new Image();
      image.src = address;
      this.images.set(address, image);
      while (this.images.size > KEPT) this.images.delete(this.images.keys().next().value);
    }
    return image;
  }

  paint() {
    const { clipIndex, frame } = this;
    const image = this.image(clipIndex, frame);
    const put = () => {
      if (clipIndex !== this.clipIndex || frame !== this.frame) return;
      this.canvas.getContext("2d").drawImage(image, 0, 0);
      this.canvas.dataset.shown = `${clipIndex}/${frame}`;
    };
    if (image.complete && image.naturalWidth) put();
    else {
      image.addEventListener("load", put, { once: true });
      image.addEventListener("error", () => this.canvas.dispatchEvent(new CustomEvent("frameunavailable")), { once: true });
    }
    const last = this.playing ? AHEAD : 3;
    for (let step = 1; step <= last && frame + step < this.clip.frames; step += 1) this.image(clipIndex, frame + step);
  }

  play(wanted = !this.playing) {
    this.playing = wanted && Boolean(this.clip);
    if (!this.playing) return;
    const period = 1000 / (this.clip.rate || SLOWEST);
    let due = performance.now() + period;
    const beat = (now) => {
      if (!this.playing) return;
      if (now >= due) {
        const next = this.frame + 1;
        if (next >= this.clip.frames) { this.playing = false; this.onFrame(this.clipIndex, this.frame); return; }
        if (this.image(this.clipIndex, next).complete) {
          this.show(this.clipIndex, next);
          due = Math.max(due + period, now - period);
        }
      }
      requestAnimationFrame(beat);
    };
    requestAnimationFrame(beat);
  }

  async needOutlines(clipIndex) {
    if (this.outlines.has(clipIndex)) return;
    this.outlines.set(clipIndex, {});
    const response = await fetch(`${this.folder}/clips/${clipIndex}/outlines`);
    if (!response.ok) { this.outlines.delete(clipIndex); return; }
    this.outlines.set(clipIndex, (await response.json()).tracks);
    this.drawOutlines();
  }

  /** The outline of an egg on a frame of a clip, null where it is not in view. */
  outline(egg, clipIndex = this.clipIndex, frame = this.frame) {
    const file = this.clips[clipIndex].file;
    for (const segment of egg.segments) {
      if (segment.clip !== file || frame < segment.first || frame > segment.last) continue;
      if (segment.track < 0) return frame === segment.first ? egg.outlines[segment.track] : null;
      const track = this.outlines.get(clipIndex)?.[segment.track];
      const row = track ? nearest(track.frames, frame) : -1;
      if (row >= 0 && Math.abs(track.frames[row] - frame) <= NEAR) return track.ellipses[row];
    }
    return null;
  }

  /** marks : [{egg, chosen, rejected}];  extra : SVG elements above them, while something is drawn */
  mark(marks, extra = null) {
    this.marks = marks;
    this.extra = extra;
    this.drawOutlines();
  }

  drawOutlines() {
    const parts = [];
    for (const { egg, chosen, rejected } of this.marks) {
      const ellipse = this.outline(egg);
      if (!ellipse || (rejected && !chosen)) continue;
      const [cx, cy, major, minor, degrees] = ellipse;
      const traits = {
        cx, cy, rx: major + CLEARANCE, ry: minor + CLEARANCE, transform: `rotate(${degrees} ${cx} ${cy})`,
      };
      const kind = `line ${egg.stage}${chosen ? " chosen" : ""}${rejected ? " rejected" : ""}`;
      const reach = Math.hypot(major, minor) * 0.72 + CLEARANCE;
      const size = (LABEL_SIZE * this.clip.width) / (this.canvas.clientWidth || this.clip.width);
      const label = createSvg("text", { x: cx + reach, y: cy - reach, "font-size": size, class: `label${chosen ? " chosen" : ""}` }, String(egg.number));
      parts.push(createSvg("ellipse", { ...traits, class: "edge" }), createSvg("ellipse", { ...traits, class: kind }), label);
    }
    this.overlay.replaceChildren(...parts, ...(this.extra ?? []));
  }
}

function nearest(frames, frame) {
  let low = 0;
  let high = frames.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (frames[middle] < frame) low = middle + 1;
    else high = middle;
  }
  return low > 0 && frame - frames[low - 1] <= frames[low] - frame ? low - 1 : low;
}
