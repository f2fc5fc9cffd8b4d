/** The outlines of the eggs, drawn over the frame: fetched for each clip, with numbers beside them. */
import { byId, createSvg } from "./dom.js";
import { contains, placeNumbers } from "./ellipses.js";

const OUTLINE_GAP = 4; // px of the screen between the egg's outline and the line, which would hide the shell's rim
const NUMBER_SIZE = 15; // px of the screen, whatever the size of the frame
const MAXIMUM_GAP = 2; // frames; an outline is shown over a gap in its track of at most this length

export class OutlineLayer {
  /** folder : base of the exam's addresses;  frameView : says which frame is shown */
  constructor(folder, frameView) {
    this.folder = folder;
    this.frameView = frameView;
    this.overlay = byId("overlay");
    this.tracks = new Map(); // by index of the clip
    this.marks = [];
    this.extra = () => [];
    this.isOn = true;
  }

  async fetch(clipIndex) {
    if (this.tracks.has(clipIndex)) return;
    this.tracks.set(clipIndex, {});
    const response = await fetch(`${this.folder}/clips/${clipIndex}/outlines`);
    if (!response.ok) { this.tracks.delete(clipIndex); return; }
    this.tracks.set(clipIndex, (await response.json()).tracks);
    this.draw();
  }

  /** The outline of an egg on a frame, null if it is not in view. isExact : not over a gap in its track */
  outline(egg, isExact = false) {
    const { clipIndex, frame, clip } = this.frameView;
    const reshaped = egg.reshaped.find((one) => one.clip === clip.file && one.frame === frame);
    if (reshaped) return reshaped.ellipse;
    for (const segment of egg.segments) {
      if (segment.clip !== clip.file || frame < segment.first || frame > segment.last) continue;
      if (segment.track < 0) return frame === segment.first ? egg.outlines[segment.track] : null;
      const track = this.tracks.get(clipIndex)?.[segment.track];
      const row = track ? nearestRow(track.frames, frame) : -1;
      if (row >= 0 && Math.abs(track.frames[row] - frame) <= (isExact ? 0 : MAXIMUM_GAP)) return track.ellipses[row];
    }
    return null;
  }

  /** marks : [{egg, selected, rejected}];  extra() : SVG elements above them, of the tool that the user holds */
  mark(marks, extra) {
    this.marks = marks;
    this.extra = extra;
    this.draw();
  }

  get shown() {
    return this.marks
      .map((mark) => ({ ...mark, ellipse: this.outline(mark.egg) }))
      .filter(({ ellipse, selected, rejected }) => ellipse && (selected || !rejected));
  }

  /** The egg whose outline holds this point, the smallest if several do. */
  eggAt(point) {
    const found = this.isOn ? this.shown.filter(({ ellipse }) => contains(ellipse, point)) : [];
    found.sort((a, b) => a.ellipse[2] * a.ellipse[3] - b.ellipse[2] * b.ellipse[3]);
    return found[0]?.egg ?? null;
  }

  draw() {
    const { clip, viewport } = this.frameView;
    if (!clip || !viewport.width) return;
    const gap = OUTLINE_GAP * viewport.pixel;
    const size = NUMBER_SIZE * viewport.pixel;
    const shown = this.isOn ? this.shown : [];
    const numbers = shown.map(({ egg, ellipse }) => ({ ellipse, text: String(egg.number) }));
    const places = placeNumbers(numbers, size, gap, viewport);
    const parts = shown.flatMap(({ egg, ellipse, selected, rejected }, index) => {
      const [cx, cy, long, short, degrees] = ellipse;
      const geometry = { cx, cy, rx: long + gap, ry: short + gap, transform: `rotate(${degrees} ${cx} ${cy})` };
      const suffix = `${selected ? " selected" : ""}${rejected ? " rejected" : ""}`;
      const [x, y] = places[index];
      return [
        createSvg("ellipse", { ...geometry, class: "edge" }),
        createSvg("ellipse", { ...geometry, class: `line ${egg.stage}${suffix}` }),
        createSvg(
          "text",
          { x, y, dy: "0.35em", "text-anchor": "middle", "font-size": size, class: `egg-number${suffix}` },
          String(egg.number),
        ),
      ];
    });
    this.overlay.replaceChildren(...parts, ...this.extra());
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
