/** Tools on the frame: a missed egg's outline, another outline for a known egg, calipers. One at a time. */
import { Calipers } from "./calipers.js";
import { showMessage } from "./dom.js";
import { OutlineEditor } from "./outline_editor.js";
import { gettext } from "./translation.js";

/** Where a new outline starts: in the middle of the picture, as large as an egg in view. */
function firstOutline({ exam, outlines, viewport }) {
  const { x, y, width, height } = viewport;
  const inView = exam.eggs.map((egg) => outlines.outline(egg)).find(Boolean);
  const [long, short] = inView ? inView.slice(2, 4) : [width / 16, width / 22];
  return [x + width / 2, y + height / 2, long, short, 0];
}

export function drawingActions(page, submit) {
  const { frameView, viewport } = page;

  function end() {
    page.drawing?.editor.end();
    page.calipers?.end();
    page.drawing = null;
    page.calipers = null;
    page.merging = null;
    frameView.isLocked = false;
  }

  function draw(ellipse, stage, egg) {
    page.drawing = { editor: new OutlineEditor(viewport, ellipse, () => page.renderPicture()), stage, egg };
    frameView.isLocked = true;
    page.renderEggs();
  }

  function begin() {
    if (!frameView.clip || page.isReadOnly) return false;
    frameView.play(false);
    end();
    return true;
  }

  function outline() {
    if (begin()) draw(firstOutline(page), page.egg()?.stage ?? "calcified", null);
  }

  function reshape() {
    const egg = page.egg();
    if (!egg || !begin()) return;
    const ellipse = page.outlines.outline(egg, true);
    if (ellipse) draw([...ellipse], egg.stage, egg);
    else showMessage(gettext("Go to a frame where number {number} has an outline.", { number: egg.number }));
  }

  function keep() {
    const { editor, stage, egg } = page.drawing;
    const drawn = { clip: frameView.clip.file, frame: frameView.frame, ellipse: editor.answer() };
    end();
    page.renderEggs();
    if (egg) submit({ kind: "reshaped", egg: egg.segments, ...drawn }, () => page.select(egg.number, { stays: true }));
    else submit({ kind: "drawn", stage, ...drawn }, () => page.select(page.exam.eggs.at(-1).number));
  }

  function measure() {
    const wasOn = Boolean(page.calipers);
    end();
    if (!wasOn && frameView.clip) {
      frameView.play(false);
      page.calipers = new Calipers(viewport, frameView.clip, () => { page.renderPicture(); page.hintBar.show(page); });
    }
    page.renderEggs();
  }

  return { outline, reshape, keep, measure, end };
}
