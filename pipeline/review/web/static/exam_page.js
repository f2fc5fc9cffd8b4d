/** An exam's page: its state, and how the state is shown. */
import { byId, createHtml } from "./dom.js";
import { EggList } from "./egg_list.js";
import { FrameView } from "./frame_view.js";
import { renderHeader, renderHistory } from "./exam_header.js";
import { Timeline } from "./timeline.js";

const STAGES = ["calcified", "thin-shelled", "follicle"];

export class ExamPage {
  /**
   * folder : base of the exam's addresses;  document : the exam as the server sent it
   * onAction(name), onMerge(number), onResolve(sequence) : called when the user answers by mouse or touch
   */
  constructor(folder, document, { onAction, onMerge, onResolve }) {
    this.folder = folder;
    this.exam = document;
    this.onAction = onAction;
    this.onResolve = onResolve;
    this.selected = null; // number of the egg that answers are about
    this.isMerging = false; // the user is choosing the egg to merge the selected one with
    this.unusableFrom = null; // first frame of the range that the user is marking
    this.outlineEditor = null; // while the user draws an outline
    this.outlineStage = STAGES[0];
    this.frameView = new FrameView(folder, document.clips, (clipIndex, frame) => this.frameShown(clipIndex, frame));
    this.timeline = new Timeline((frame) => this.frameView.show(this.frameView.clipIndex, frame));
    this.eggList = new EggList((number) => (this.isMerging ? onMerge(number) : this.select(number)), onAction);
  }

  egg(number = this.selected) { return this.exam.eggs.find((egg) => egg.number === number); }

  get isReadOnly() { return this.exam.signed !== null || this.exam.you.permission === "look"; }

  /** The counted eggs without an answer, the least certain first. */
  get remaining() {
    const open = this.exam.eggs.filter((egg) => egg.verdict === null && egg.counted_by_batch);
    return open.sort((a, b) => a.confidence - b.confidence);
  }

  /** Show the exam as the server has it now. */
  update(document) {
    this.exam = document;
    if (!this.egg()) this.selected = document.eggs[0]?.number ?? null;
    this.render();
  }

  render() {
    const { exam, frameView, isReadOnly } = this;
    frameView.clips = exam.clips;
    renderHeader(exam, { isReadOnly, onResolve: this.onResolve });
    renderHistory(exam.history);
    byId("undo").disabled = isReadOnly || exam.undo === null;
    byId("redo").disabled = isReadOnly || exam.redo === null;
    for (const id of ["outline", "unusable", "comment", "confirm-rest"]) byId(id).disabled = isReadOnly;
    const clips = exam.clips.map((clip, clipIndex) => createHtml(
      "button",
      {
        type: "button",
        class: "text-button",
        "aria-pressed": String(clipIndex === frameView.clipIndex),
        onclick: () => frameView.show(clipIndex, 0),
      },
      clip.name,
    ));
    const refused = exam.refused.map((clip) => (
      createHtml("span", { class: "soft", title: clip.reason }, `${clip.file}: not usable`)
    ));
    byId("clips").replaceChildren(...clips, ...refused);
    this.renderEggs();
  }

  /** Everything that depends on the eggs, the selection, or what the user is doing. */
  renderEggs() {
    const { exam, frameView, selected, isMerging, isReadOnly } = this;
    this.eggList.show(exam.eggs, selected, { isReadOnly, isMerging });
    this.renderRemaining();
    frameView.mark(
      exam.eggs.map((egg) => ({ egg, selected: egg.number === selected, rejected: egg.verdict === "not-egg" })),
      this.outlineEditor ? this.outlineEditor.elements(this.outlineStage) : null,
    );
    if (frameView.clip) {
      this.timeline.show(frameView.clip, exam.eggs, selected, this.unusableFrom);
      this.timeline.setPlayhead(frameView.frame);
    }
    this.renderHint();
  }

  renderRemaining() {
    const count = this.remaining.length;
    const done = this.exam.eggs.length ? "all reviewed" : "none seen";
    byId("remaining").textContent = count ? `${count} to review` : done;
    byId("confirm-rest").hidden = count === 0;
    byId("confirm-rest").replaceChildren("Confirm the rem", createHtml("u", {}, "a"), `ining ${count}`);
  }

  frameShown(clipIndex, frame) {
    const clip = this.exam.clips[clipIndex];
    if (this.timeline.clip !== clip) {
      byId("frame").max = clip.frames - 1;
      [...byId("clips").querySelectorAll("button")].forEach((button, index) => {
        button.setAttribute("aria-pressed", String(index === clipIndex));
      });
      this.timeline.show(clip, this.exam.eggs, this.selected, this.unusableFrom);
    }
    byId("frame").value = frame;
    byId("position").textContent = clip.rate ? `${(frame / clip.rate).toFixed(1)} s, frame ${frame}` : `frame ${frame}`;
    byId("play").textContent = this.frameView.playing ? "pause" : "play";
    this.timeline.setPlayhead(frame);
  }

  /** What the user is doing and how to finish it. */
  renderHint() {
    const shown = JSON.stringify([this.isMerging, this.outlineEditor && this.outlineStage, this.unusableFrom]);
    if (shown === this.shownHint) return; // so that its buttons stay while an outline is dragged
    this.shownHint = shown;
    const button = (text, action, isPressed = null) => createHtml(
      "button",
      { type: "button", class: "text-button", "aria-pressed": isPressed, onclick: () => this.onAction(action) },
      text,
    );
    let content = [];
    if (this.isMerging) {
      content = ["Merge with which egg? Press its number or choose it in the list. ", button("cancel", "cancel")];
    } else if (this.outlineEditor) {
      const stages = STAGES.map((stage) => button(stage, stage, String(stage === this.outlineStage)));
      content = [
        "Drag along the egg's length, then pull the handles. ",
        ...stages,
        button("save", "accept"),
        button("cancel", "cancel"),
      ];
    } else if (this.unusableFrom !== null) {
      content = [
        `Unusable from frame ${this.unusableFrom}. Go to the last unusable frame. `,
        button("mark up to here", "unusable"),
        button("cancel", "cancel"),
      ];
    }
    byId("hint").replaceChildren(...content);
    byId("hint").hidden = content.length === 0;
  }

  /** Select an egg and show the frame where it is seen best. */
  select(number) {
    this.selected = number;
    const egg = this.egg();
    if (egg && this.exam.clips.length) {
      this.frameView.play(false);
      this.frameView.show(...egg.best);
    }
    this.renderEggs();
    this.eggList.reveal(number);
  }

  /** Select the egg that is ``by`` places further down the list. */
  step(by) {
    const numbers = this.exam.eggs.map((egg) => egg.number);
    if (!numbers.length) return;
    this.select(numbers[(numbers.indexOf(this.selected) + by + numbers.length) % numbers.length]);
  }

  selectNextRemaining() {
    const [next] = this.remaining;
    if (next) this.select(next.number);
    else this.renderEggs();
  }
}
