/**
 * The clip on the screen: its frames, fetched ahead, with the outlines of the eggs drawn over them.
 *
 * Coordinates are pixels of the source frame, pixel centres at whole numbers, so the drawing begins at -0.5.
 */
import { byId, createSvg } from "./dom.js";

const FETCHED_AHEAD = 24; // frames while playing
const FETCHED_AHEAD_PAUSED = 3; // frames
const CACHED_FRAMES = 160;
const OUTLINE_GAP = 4; // px of the frame between the egg's outline and the drawn line, which would hide the shell's rim
const LABEL_SIZE = 15; // px of the screen, whatever the size of the frame
const MAXIMUM_GAP = 2; // frames; an outline is shown over a gap in its track of at most this length
const DEFAULT_RATE = 25; // frames per second, for clips of unknown rate

export class FrameView {
  /** folder : base of the exam's addresses;  onFrame(clipIndex, frame) : called when another frame is shown */
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
    this.fetchOutlines(clipIndex);
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
      while (this.images.size > CACHED_FRAMES) this.images.delete(this.images.keys().next().value);
    }
    return image;
  }

  paint() {
    const { clipIndex, frame } = this;
    const image = this.image(clipIndex, frame);
    const draw = () => {
      if (clipIndex !== this.clipIndex || frame !== this.frame) return;
      this.canvas.getContext("2d").drawImage(image, 0, 0);
      this.canvas.dataset.shown = `${clipIndex}/${frame}`;
    };
    if (image.complete && image.naturalWidth) {
      draw();
    } else {
      const report = () => this.canvas.dispatchEvent(new CustomEvent("frameunavailable"));
      image.addEventListener("load", draw, { once: true });
      image.addEventListener("error", report, { once: true });
    }
    const last = this.playing ? FETCHED_AHEAD : FETCHED_AHEAD_PAUSED;
    for (let step = 1; step <= last && frame + step < this.clip.frames; step += 1) this.image(clipIndex, frame + step);
  }

  /** Play or pause; without an argument the other of the two. A frame that is not loaded yet is waited for. */
  play(shouldPlay = !this.playing) {
    this.playing = shouldPlay && Boolean(this.clip);
    if (!this.playing) return;
    const periodMs = 1000 / (this.clip.rate || DEFAULT_RATE);
    let due = performance.now() + periodMs;
    const advance = (now) => {
      if (!this.playing) return;
      if (now >= due) {
        const next = this.frame + 1;
        if (next >= this.clip.frames) { this.playing = false; this.onFrame(this.clipIndex, this.frame); return; }
        if (this.image(this.clipIndex, next).complete) {
          this.show(this.clipIndex, next);
          due = Math.max(due + periodMs, now - periodMs);
        }
      }
      requestAnimationFrame(advance);
    };
    requestAnimationFrame(advance);
  }

  async fetchOutlines(clipIndex) {
    if (this.outlines.has(clipIndex)) return;
    this.outlines.set(clipIndex, {});
    const response = await fetch(`${this.folder}/clips/${clipIndex}/outlines`);
    if (!response.ok) { this.outlines.delete(clipIndex); return; }
    this.outlines.set(clipIndex, (await response.json()).tracks);
    this.drawOutlines();
  }

  /** The outline of an egg on a frame of a clip, null if it is not in view. */
  outline(egg, clipIndex = this.clipIndex, frame = this.frame) {
    const file = this.clips[clipIndex].file;
    for (const segment of egg.segments) {
      if (segment.clip !== file || frame < segment.first || frame > segment.last) continue;
      if (segment.track < 0) return frame === segment.first ? egg.outlines[segment.track] : null;
      const track = this.outlines.get(clipIndex)?.[segment.track];
      const row = track ? nearestRow(track.frames, frame) : -1;
      if (row >= 0 && Math.abs(track.frames[row] - frame) <= MAXIMUM_GAP) return track.ellipses[row];
    }
    return null;
  }

  /** marks : [{egg, selected, rejected}];  extra : SVG elements above them, while the user draws an outline */
  mark(marks, extra = null) {
    this.marks = marks;
    this.extra = extra;
    this.drawOutlines();
  }

  drawOutlines() {
    const size = (LABEL_SIZE * (this.clip?.width ?? 0)) / (this.canvas.clientWidth || this.clip?.width || 1);
    const parts = [];
    for (const { egg, selected, rejected } of this.marks) {
      const ellipse = this.outline(egg);
      if (!ellipse || (rejected && !selected)) continue;
      const [cx, cy, major, minor, degrees] = ellipse;
      const geometry = {
        cx, cy, rx: major + OUTLINE_GAP, ry: minor + OUTLINE_GAP, transform: `rotate(${degrees} ${cx} ${cy})`,
      };
      const suffix = `${selected ? " selected" : ""}${rejected ? " rejected" : ""}`;
      const offset = (major + minor) / 2 / Math.SQRT2 + OUTLINE_GAP; // about where a circle is met at 45 degrees
      parts.push(
        createSvg("ellipse", { ...geometry, class: "edge" }),
        createSvg("ellipse", { ...geometry, class: `line ${egg.stage}${suffix}` }),
        createSvg(
          "text",
          { x: cx + offset, y: cy - offset, "font-size": size, class: `egg-number${suffix}` },
          String(egg.number),
        ),
      );
    }
    this.overlay.replaceChildren(...parts, ...(this.extra ?? []));
  }
}

/** The index of the frame number nearest to this one. frames : ascending */
function nearestRow(frames, frame) {
  let low = 0;
  let high = frames.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (frames[middle] < frame) low = middle + 1;
    else high = middle;
  }
  return low > 0 && frame - frames[low - 1] <= frames[low] - frame ? low - 1 : low;
}
