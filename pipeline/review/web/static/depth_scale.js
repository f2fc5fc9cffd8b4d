/** The depth scale at the side of the frame: a mark every 10 mm from the probe down, as a scanner shows it. */
import { createSvg } from "./dom.js";

const STEP_MM = 10;
const TEXT_SIZE = 11; // px of the screen
const DARK = 16; // grey level, of 255, below which a pixel belongs to the black around the sector

/** y of the sector's upper end on its middle line, px of the frame; null if the picture is black there. */
export function sectorTop(image, clip) {
  if (clip.centre_x_px === null) return null;
  const canvas = Object.assign(document.createElement("canvas"), { width: 1, height: clip.height });
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(image, -Math.round(clip.centre_x_px), 0);
  const column = context.getImageData(0, 0, 1, clip.height).data;
  for (let y = 0; y < clip.height; y += 1) if (column[4 * y] > DARK) return y;
  return null;
}

/** SVG elements; none without a scale. top : from `sectorTop` */
export function depthScale(clip, top, viewport) {
  if (!clip.mm_per_px || !clip.depth_px || top === null) return [];
  const { pixel } = viewport;
  const right = viewport.x + viewport.width - 0.5;
  const marks = [];
  for (let mm = 0; mm * 1 <= clip.depth_px * clip.mm_per_px; mm += STEP_MM) {
    const y = top + mm / clip.mm_per_px;
    const isLabelled = mm % (5 * STEP_MM) === 0;
    const length = (isLabelled ? 9 : 5) * pixel;
    marks.push(createSvg("line", { x1: right - length, x2: right, y1: y, y2: y, class: "depth" }));
    if (isLabelled) {
      const place = { x: right - length - 3 * pixel, y, dy: "0.35em", "text-anchor": "end", class: "depth" };
      marks.push(createSvg("text", { ...place, "font-size": TEXT_SIZE * pixel }, mm ? String(mm) : "0 mm"));
    }
  }
  return marks;
}
