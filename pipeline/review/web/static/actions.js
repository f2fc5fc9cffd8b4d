/** What the user can do on an exam's page, by name. Buttons and keys call the same actions. */
import { byId, showDialog, showMessage } from "./dom.js";
import { drawingActions } from "./drawing_actions.js";
import { KEEP_FIRST } from "./exam_page.js";
import { showLastExam } from "./last_exam.js";
import { signingActions } from "./signing_actions.js";
import { gettext } from "./translation.js";

/** Possible while an outline is drawn; anything else could answer about another egg, or move to another frame. */
const WHILE_DRAWING = new Set([
  "accept", "cancel", "calcified", "thin-shelled", "follicle", "keys", "zoom-in", "zoom-out", "outlines", "depth",
]);

/** page : an `ExamPage`;  submit(answer, onStored) : sends an answer;  nextExam, worklist : addresses */
export function createActions(page, submit, { nextExam, worklist }) {
  const { frameView, tools } = page;

  const answerSelected = (answer) => {
    if (page.egg()) submit({ ...answer, eggs: [page.egg().segments] }, () => page.selectNextRemaining());
  };

  /** The stage of the selected egg; of the outline while the user draws one. */
  const setStage = (stage) => () => {
    if (page.drawing) {
      page.drawing.stage = stage;
      page.renderEggs();
    } else {
      answerSelected({ kind: "stage", stage });
    }
  };

  function merge() {
    if (!page.egg()) return;
    page.merging = {};
    page.renderEggs();
  }

  function acceptMerge() {
    const [one, other] = [page.egg(), page.egg(page.merging.other)];
    if (!one || !other) return;
    page.merging = null;
    const number = Math.min(one.number, other.number);
    submit({ kind: "same", eggs: [one.segments, other.segments] }, () => page.select(number));
  }

  /** The segment in view is another egg. If the egg has only this segment, it is cut at the frame on the screen. */
  function split() {
    const { segments } = page.egg() ?? {};
    if (!segments) return;
    const { clip, frame } = frameView;
    const inView = segments.find((one) => one.clip === clip.file && one.first <= frame && frame <= one.last);
    if (!inView) { showMessage(gettext("Go to a frame where the second egg is in view.")); return; }
    const isOnly = segments.length === 1;
    if (isOnly && frame === inView.first) {
      showMessage(gettext("Go to the frame where the second egg comes into view."));
      return;
    }
    submit({ kind: "two", egg: segments, apart: [isOnly ? { ...inView, first: frame } : inView] });
  }

  /** Begins a range of unusable frames, ends it, or removes the mark that the frame on the screen has. */
  function unusable() {
    if (!frameView.clip) return;
    const { clip, frame } = frameView;
    const marked = clip.unusable.find(([first, last]) => first <= frame && frame <= last);
    if (page.unusableFrom !== null) {
      const [first, last] = [Math.min(page.unusableFrom, frame), Math.max(page.unusableFrom, frame)];
      page.unusableFrom = null;
      submit({ kind: "unusable", clip: clip.file, first, last });
    } else if (marked) {
      submit({ kind: "usable", clip: clip.file, first: marked[0], last: marked[1] });
    } else {
      page.unusableFrom = frame;
      page.renderEggs();
    }
  }

  async function comment() {
    const egg = page.egg();
    byId("comment-about").textContent = egg
      ? gettext("About number {number}", { number: egg.number }) : gettext("About the exam");
    byId("comment-text").value = "";
    if (await showDialog(byId("comment-dialog")) !== "save") return;
    submit({ kind: "comment", text: byId("comment-text").value.trim(), egg: egg ? egg.segments : [] });
  }

  const drawing = drawingActions(page, submit);
  const signing = signingActions(page, submit);

  function accept() {
    if (page.drawing) drawing.keep();
    else if (page.merging?.other) acceptMerge();
    else if (page.exam.signed) location.assign(nextExam);
  }

  function cancel() {
    drawing.end();
    page.merging = null;
    page.unusableFrom = null;
    page.renderEggs();
  }

  function play() {
    const [entry] = page.rangeInView(page.egg()) ?? [0];
    frameView.play(!frameView.playing, entry);
    page.frameShown(frameView.clipIndex, frameView.frame);
    frameView.paint();
  }

  const moveFrames = (by) => () => page.goTo(frameView.clipIndex, frameView.frame + by);
  const moveClips = (by) => () => {
    const count = page.exam.clips.length;
    if (count) page.goTo((frameView.clipIndex + by + count) % count, 0);
  };

  const actions = {
    confirm: () => answerSelected({ kind: "egg" }),
    reject: () => answerSelected({ kind: "not-egg" }),
    uncertain: () => answerSelected({ kind: "uncertain" }),
    calcified: setStage("calcified"),
    "thin-shelled": setStage("thin-shelled"),
    follicle: setStage("follicle"),
    merge,
    split,
    outline: drawing.outline,
    reshape: drawing.reshape,
    measure: drawing.measure,
    unusable,
    comment,
    "confirm-rest": signing.confirmRest,
    undo: () => submit({ kind: "undo" }),
    redo: () => submit({ kind: "redo" }),
    resolve: (sequence) => submit({ kind: "settled", of: sequence }),
    sign: signing.signOrReopen,
    keys: () => showDialog(byId("key-list")),
    "last-exam": () => showLastExam(page),
    play,
    outlines: () => tools.toggle("outlines"),
    depth: () => tools.toggle("depth"),
    slow: () => tools.toggle("slow"),
    loop: () => tools.toggle("loop"),
    "zoom-in": () => tools.zoom(1),
    "zoom-out": () => tools.zoom(-1),
    "previous-frame": moveFrames(-1),
    "next-frame": moveFrames(1),
    "back-ten-frames": moveFrames(-10),
    "forward-ten-frames": moveFrames(10),
    "previous-clip": moveClips(-1),
    "next-clip": moveClips(1),
    "previous-egg": () => page.step(-1),
    "next-egg": () => page.step(1),
    cancel,
    accept,
    worklist: () => location.assign(worklist),
  };
  const guarded = ([name, action]) => [name, (...given) => {
    if (page.drawing && !WHILE_DRAWING.has(name)) showMessage(KEEP_FIRST);
    else action(...given);
  }];
  return Object.fromEntries(Object.entries(actions).map(guarded));
}
