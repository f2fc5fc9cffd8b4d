/** What the user can do on an exam's page, by name. Buttons and keys call the same actions. */
import { byId, showDialog, showMessage } from "./dom.js";
import { OutlineEditor } from "./outline_editor.js";

/** Where a new outline starts: in the middle of the frame, as large as an egg in view. */
function firstOutline({ exam, frameView }) {
  const { width, height } = frameView.clip;
  const inView = exam.eggs.map((egg) => frameView.outline(egg)).find(Boolean);
  const [long, short] = inView ? inView.slice(2, 4) : [width / 16, width / 22];
  return [width / 2, height / 2, long, short, 0];
}

/** page : an `ExamPage`;  submit(answer, onStored) : sends an answer;  nextExam : address */
export function createActions(page, submit, nextExam) {
  const { frameView } = page;

  const aboutSelected = (answer) => () => {
    if (page.egg()) submit({ ...answer, eggs: [page.egg().segments] }, () => page.selectNextRemaining());
  };

  /** The stage of the selected egg; of the outline while the user draws one. */
  const setStage = (stage) => () => {
    if (page.outlineEditor) {
      page.outlineStage = stage;
      page.renderEggs();
    } else {
      aboutSelected({ kind: "stage", stage })();
    }
  };

  function cancel() {
    page.outlineEditor?.end();
    page.outlineEditor = null;
    page.isMerging = false;
    page.unusableFrom = null;
    page.renderEggs();
  }

  function merge() {
    if (!page.egg()) return;
    page.isMerging = true;
    page.renderEggs();
  }

  function mergeWith(number) {
    page.isMerging = false;
    const [one, other] = [page.egg(), page.egg(number)];
    if (!other || one === other) { page.renderEggs(); return; }
    submit({ kind: "same", eggs: [one.segments, other.segments] }, () => page.select(Math.min(one.number, number)));
  }

  /** The segment in view is another egg. If the egg has only this segment, it is cut at the frame on the screen. */
  function split() {
    const { segments } = page.egg() ?? {};
    if (!segments) return;
    const { clip, frame } = frameView;
    const inView = segments.find((one) => one.clip === clip.file && one.first <= frame && frame <= one.last);
    if (!inView) { showMessage("Go to a frame where the second egg is in view."); return; }
    const isOnly = segments.length === 1;
    if (isOnly && frame === inView.first) { showMessage("Go to the frame where the second egg comes into view."); return; }
    submit({ kind: "two", egg: segments, apart: [isOnly ? { ...inView, first: frame } : inView] });
  }

  function outline() {
    if (!frameView.clip) return;
    frameView.play(false);
    cancel();
    page.outlineStage = page.egg()?.stage ?? "calcified";
    page.outlineEditor = new OutlineEditor(firstOutline(page), () => page.renderEggs());
    page.renderEggs();
  }

  function saveOutline() {
    const ellipse = page.outlineEditor.answer();
    const { clip, frame } = frameView;
    const answer = { kind: "drawn", clip: clip.file, frame, ellipse, stage: page.outlineStage };
    cancel();
    submit(answer, () => { page.selected = page.exam.eggs.at(-1).number; page.renderEggs(); });
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

  function confirmRest() {
    const rest = page.remaining;
    if (!rest.length) { showMessage("All findings are reviewed."); return; }
    submit({ kind: "egg", eggs: rest.map((egg) => egg.segments) }, () => page.renderEggs());
  }

  async function comment() {
    const egg = page.egg();
    byId("comment-about").textContent = egg ? `About number ${egg.number}` : "About the exam";
    byId("comment-text").value = "";
    if (await showDialog(byId("comment-dialog")) !== "save") return;
    submit({ kind: "comment", text: byId("comment-text").value.trim(), egg: egg ? egg.segments : [] });
  }

  async function sign() {
    const { now, questions } = page.exam;
    const open = page.remaining.length + questions.length;
    const count = now.count_text ? `${now.count_text}, ${now.at_least}; ${now.range}.` : `Count: ${now.figure}.`;
    byId("sign-summary").textContent = count;
    byId("sign-unreviewed").textContent = open ? `${open} not reviewed: for these the program's result is signed.` : "";
    const closed = showDialog(byId("sign-dialog"));
    byId("sign-now").focus();
    if (await closed !== "sign") return;
    submit({ kind: "signed" }, () => showMessage("Signed."));
  }

  async function reopen() {
    byId("reopen-reason").value = "";
    if (await showDialog(byId("reopen-dialog")) !== "reopen") return;
    submit({ kind: "reopened", reason: byId("reopen-reason").value.trim() });
  }

  function signOrReopen() {
    if (page.exam.you.permission !== "sign") {
      showMessage("You have permission to review, but not to sign.");
    } else if (page.exam.signed) {
      reopen();
    } else {
      sign();
    }
  }

  function accept() {
    if (page.outlineEditor) saveOutline();
    else if (page.isMerging) cancel();
    else if (page.exam.signed) location.assign(nextExam);
  }

  const playOrPause = () => {
    frameView.play();
    page.frameShown(frameView.clipIndex, frameView.frame);
    frameView.paint();
  };
  const moveFrames = (by) => () => {
    frameView.play(false);
    frameView.show(frameView.clipIndex, frameView.frame + by);
  };
  const moveClips = (by) => () => {
    const count = page.exam.clips.length;
    if (count) frameView.show((frameView.clipIndex + by + count) % count, 0);
  };

  return {
    confirm: aboutSelected({ kind: "egg" }),
    reject: aboutSelected({ kind: "not-egg" }),
    calcified: setStage("calcified"),
    "thin-shelled": setStage("thin-shelled"),
    follicle: setStage("follicle"),
    merge,
    mergeWith,
    split,
    outline,
    unusable,
    comment,
    "confirm-rest": confirmRest,
    undo: () => submit({ kind: "undo" }),
    redo: () => submit({ kind: "redo" }),
    resolve: (sequence) => submit({ kind: "settled", of: sequence }),
    sign: signOrReopen,
    keys: () => showDialog(byId("key-list")),
    play: playOrPause,
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
    worklist: () => location.assign("/"),
  };
}
