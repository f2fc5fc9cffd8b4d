/**
 * The clip on the screen: its frames, fetched ahead, and playing.
 *
 * Coordinates are pixels of the source frame, pixel centres at whole numbers, so the picture begins at -0.5.
 */
import { byId } from "./dom.js";

const FETCHED_AHEAD = 24; // frames while playing
const FETCHED_AHEAD_PAUSED = 3; // frames
const CACHED_FRAMES = 160;
const DEFAULT_RATE = 25; // frames per second, for clips of unknown rate

export class FrameView {
  /**
   * folder : base of the exam's addresses;  viewport : the part of the frame that is shown
   * onFrame(clipIndex, frame) : called when another frame is shown
   */
  constructor(folder, clips, viewport, onFrame) {
    this.folder = folder;
    this.clips = clips;
    this.viewport = viewport;
    this.onFrame = onFrame;
    this.clipIndex = 0;
    this.frame = 0;
    this.playing = false;
    this.speed = 1;
    this.range = null; // first and last frame to play again and again, null for the whole clip
    this.isLocked = false; // while the user draws
    this.images = new Map();
    this.canvas = byId("picture");
  }

  get clip() { return this.clips[this.clipIndex]; }

  show(clipIndex, frame) {
    if (!this.clips[clipIndex] || this.isLocked) return;
    const isOther = clipIndex !== this.clipIndex || this.canvas.width !== this.clips[clipIndex].width;
    this.clipIndex = clipIndex;
    this.frame = Math.max(0, Math.min(this.clip.frames - 1, frame));
    if (isOther || !this.viewport.width) {
      this.canvas.width = this.clip.width;
      this.canvas.height = this.clip.height;
      this.viewport.reset(this.clip);
    }
    this.paint();
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
    if (!this.clip) return;
    const { clipIndex, frame } = this;
    const image = this.image(clipIndex, frame);
    const draw = () => {
      if (clipIndex !== this.clipIndex || frame !== this.frame) return;
      const { x, y, width, height } = this.viewport;
      const context = this.canvas.getContext("2d");
      context.imageSmoothingQuality = "high";
      context.drawImage(image, x, y, width, height, 0, 0, this.canvas.width, this.canvas.height);
      this.canvas.dataset.shown = `${clipIndex}/${frame}`;
      this.canvas.dispatchEvent(new CustomEvent("frameshown"));
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

  /**
   * Play or pause; without an argument the other of the two. A frame that is not loaded yet is waited for.
   *
   * from : the frame to begin at if the last one is shown
   */
  play(shouldPlay = !this.playing, from = 0) {
    this.playing = shouldPlay && Boolean(this.clip) && !this.isLocked;
    if (!this.playing) return;
    const [first, last] = this.range ?? [0, this.clip.frames - 1];
    if (this.range ? this.frame < first || this.frame >= last : this.frame >= last) {
      this.show(this.clipIndex, this.range ? first : from);
    }
    let due = performance.now();
    const advance = (now) => {
      if (!this.playing) return;
      const periodMs = 1000 / ((this.clip.rate || DEFAULT_RATE) * this.speed);
      if (now >= due + periodMs && !this.step(() => { due = Math.max(due + periodMs, now - periodMs); })) return;
      requestAnimationFrame(advance);
    };
    requestAnimationFrame(advance);
  }

  /** Show the next frame if it is loaded; whether playing goes on. onShown() : called if it was shown */
  step(onShown) {
    const last = this.range ? this.range[1] : this.clip.frames - 1;
    if (this.frame >= last && !this.range) {
      this.playing = false;
      this.onFrame(this.clipIndex, this.frame);
      return false;
    }
    const next = this.frame >= last ? this.range[0] : this.frame + 1;
    if (this.image(this.clipIndex, next).complete) {
      this.show(this.clipIndex, next);
      onShown();
    }
    return true;
  }
}
