/** An exam's page: its state, and how the state is shown. */
import { AnswerBar } from "./answer_bar.js";
import { depthScale, sectorTop } from "./depth_scale.js";
import { byId, createHtml, showMessage, textButton } from "./dom.js";
import { EggList, eggName } from "./egg_list.js";
import { renderHeader } from "./exam_header.js";
import { FrameView } from "./frame_view.js";
import { HintBar } from "./hint_bar.js";
import { renderHistory } from "./history_list.js";
import { OutlineLayer } from "./outline_layer.js";
import { PictureTools } from "./picture_tools.js";
import { Timeline } from "./timeline.js";
import { decimal, gettext, keyed, ngettext } from "./translation.js";
import { Viewport } from "./viewport.js";

export const KEEP_FIRST = gettext("Keep or cancel the outline first.");

/** What answers; and with what moves to another frame, what is disabled while an outline is drawn on this one. */
const LOCKED_IF_READ_ONLY = ["outline", "reshape", "unusable", "comment", "confirm-rest"];
const LOCKED_WHILE_DRAWING = ["play", "frame", "measure", "sign", ...LOCKED_IF_READ_ONLY];

export class ExamPage {
  /**
   * folder : base of the exam's addresses;  document : the exam as the server sent it
   * onAction(name) : the user does this by mouse or touch;  onResolve(sequence) : closes the question of an answer
   * onPlace() : another egg or frame is shown
   */
  constructor(folder, document, { onAction, onResolve, onPlace }) {
    this.folder = folder;
    this.exam = document;
    this.onResolve = onResolve;
    this.onPlace = onPlace;
    this.selected = null; // number of the egg that answers are about
    this.merging = null; // {other}: the user chooses the egg that is the same as the selected one
    this.unusableFrom = null; // first frame of the range that the user is marking
    this.drawing = null; // {editor, stage, egg}: the outline that the user draws; egg : whose it is, null if missed
    this.calipers = null;
    this.tops = new Map(); // of the sector, by clip
    const show = (clipIndex, frame) => this.frameShown(clipIndex, frame);
    this.viewport = new Viewport(() => { this.frameView.paint(); this.outlines.draw(); }, (point) => this.pick(point));
    this.frameView = new FrameView(folder, document.clips, this.viewport, show);
    this.outlines = new OutlineLayer(folder, this.frameView);
    this.tools = new PictureTools(this.viewport, this.frameView, () => this.renderPicture());
    this.timeline = new Timeline((frame) => this.goTo(this.frameView.clipIndex, frame));
    this.eggList = new EggList((number) => this.choose(number));
    this.answerBar = new AnswerBar(onAction);
    this.hintBar = new HintBar(onAction);
    byId("picture").addEventListener("frameshown", () => this.findSectorTop());
    new ResizeObserver(() => { this.outlines.draw(); this.renderTimeline(); }).observe(byId("screen"));
  }

  egg(number = this.selected) { return this.exam.eggs.find((egg) => egg.number === number); }

  get isReadOnly() { return this.exam.signed !== null || this.exam.you.permission === "look"; }

  /** The eggs without an answer: those that must have one first, then the least certain. */
  get remaining() {
    const open = this.exam.eggs.filter((egg) => egg.must_answer || (egg.verdict === null && egg.counted_by_batch));
    return open.sort((a, b) => b.must_answer - a.must_answer || a.confidence - b.confidence);
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
    const onOpen = (clipIndex, frame) => { this.goTo(clipIndex, frame); byId("workspace").scrollIntoView(); };
    renderHeader(exam, { isReadOnly, onResolve: this.onResolve, onOpen });
    renderHistory(exam.history, exam.clips, onOpen);
    const refused = exam.refused.map((clip) => (
      createHtml("span", { class: "soft", title: clip.reason }, gettext("{clip}: not usable", { clip: clip.file }))
    ));
    this.clipButtons = exam.clips.map((clip, index) => (
      textButton(clip.name, () => this.goTo(index, 0), index === frameView.clipIndex)
    ));
    byId("clips").replaceChildren(...this.clipButtons, ...refused);
    this.renderEggs();
  }

  /** Everything that depends on the eggs, the selection, or what the user is doing. */
  renderEggs() {
    const { exam, selected, isReadOnly, drawing } = this;
    this.eggList.show(exam.eggs, selected);
    this.answerBar.show(this.egg(), isReadOnly || Boolean(drawing));
    const count = this.remaining.length;
    const confirmable = this.remaining.filter((egg) => !egg.must_answer).length;
    const allDone = exam.eggs.length ? gettext("all reviewed") : gettext("none seen");
    byId("remaining").textContent = count ? ngettext("{number} to review", "{number} to review", count) : allDone;
    byId("confirm-rest").hidden = confirmable === 0;
    const confirm = ngettext("Confirm the rem[a]ining {number}", "Confirm the rem[a]ining {number}", confirmable);
    byId("confirm-rest").replaceChildren(...keyed(confirm, createHtml));
    byId("sign-reviewed").hidden = count > 0 || isReadOnly || Boolean(drawing) || exam.you.permission !== "sign";
    for (const id of LOCKED_WHILE_DRAWING) {
      byId(id).disabled = Boolean(drawing) || (isReadOnly && LOCKED_IF_READ_ONLY.includes(id));
    }
    byId("sign").disabled ||= exam.you.permission !== "sign";
    byId("undo").disabled = isReadOnly || Boolean(drawing) || exam.undo === null;
    byId("redo").disabled = isReadOnly || Boolean(drawing) || exam.redo === null;
    for (const button of this.clipButtons) button.disabled = Boolean(drawing);
    this.renderPicture();
    this.renderTimeline();
    this.hintBar.show(this);
  }

  renderPicture() {
    const { exam, selected, drawing, calipers, frameView, tools } = this;
    this.outlines.isOn = tools.isOn.outlines;
    const reshaped = drawing?.egg?.number;
    const marks = exam.eggs
      .filter((egg) => egg.number !== reshaped) // its outline is the one that is drawn
      .map((egg) => ({ egg, selected: egg.number === selected && !drawing, rejected: egg.verdict === "not-egg" }));
    this.outlines.mark(marks, () => [
      ...(tools.isOn.depth && frameView.clip
        ? depthScale(frameView.clip, this.tops.get(frameView.clip.file) ?? null, this.viewport) : []),
      ...(drawing?.editor.elements(drawing.stage) ?? []),
      ...(calipers?.elements() ?? []),
    ]);
    frameView.range = tools.isOn.loop ? this.rangeInView(this.egg()) : null;
  }

  /** First and last frame of an egg in the clip on the screen, null if it is not in it. */
  rangeInView(egg) {
    const segments = egg?.segments.filter((one) => one.clip === this.frameView.clip?.file) ?? [];
    if (!segments.length) return null;
    return [Math.min(...segments.map((one) => one.first)), Math.max(...segments.map((one) => one.last))];
  }

  findSectorTop() {
    const { clip } = this.frameView;
    if (this.tops.has(clip.file)) return;
    const top = sectorTop(this.frameView.image(this.frameView.clipIndex, this.frameView.frame), clip);
    if (top === null) return;
    this.tops.set(clip.file, top);
    this.outlines.draw();
  }

  renderTimeline() {
    const { clip, frame } = this.frameView;
    if (!clip) return;
    this.timeline.show(clip, this.exam.eggs, this.selected, this.unusableFrom);
    this.timeline.setPlayhead(frame);
  }

  frameShown(clipIndex, frame) {
    const clip = this.exam.clips[clipIndex];
    byId("frame").max = clip.frames - 1;
    byId("frame").value = frame;
    this.clipButtons?.forEach((button, index) => button.setAttribute("aria-pressed", String(index === clipIndex)));
    if (this.timeline.clip !== clip) this.renderTimeline();
    this.outlines.fetch(clipIndex);
    const shown = gettext("frame {frame}", { frame });
    byId("position").textContent = clip.rate ? `${decimal(frame / clip.rate, 1)} s, ${shown}` : shown;
    byId("play").textContent = this.frameView.playing ? gettext("pause") : gettext("play");
    this.timeline.setPlayhead(frame);
    this.renderPicture();
    this.onPlace();
  }

  /** Show a frame that the user chose. */
  goTo(clipIndex, frame) {
    if (this.drawing) { showMessage(KEEP_FIRST); return; }
    this.frameView.play(false);
    this.frameView.show(clipIndex, frame);
  }

  /** The user points at the frame: the egg there is chosen. */
  pick(point) {
    const egg = this.outlines.eggAt(point);
    if (egg) this.choose(egg.number, true);
  }

  /** The user chooses an egg: to answer about it, or as the same as the selected one. stays : on the frame in view */
  choose(number, stays = false) {
    if (!this.egg(number)) return;
    if (this.drawing) {
      showMessage(KEEP_FIRST);
    } else if (this.merging) {
      if (number !== this.selected) this.merging = { other: number };
      this.renderEggs();
    } else {
      this.select(number, { stays });
    }
  }

  /** Select an egg and show the frame where it is seen best; it is read out. */
  select(number, { stays = false, isRead = true } = {}) {
    this.selected = number;
    const egg = this.egg();
    if (egg && this.exam.clips.length && !stays) {
      this.frameView.play(false);
      this.frameView.show(...egg.best);
      const outline = this.outlines.outline(egg);
      if (outline) this.viewport.reveal(outline.slice(0, 2));
    }
    this.renderEggs();
    this.onPlace();
    if (!egg || !isRead) return;
    // Who answers by the buttons stays there, and hears which egg is next.
    if (byId("answers").contains(document.activeElement)) byId("announcement").textContent = eggName(egg);
    else this.eggList.focus(number);
  }

  /** Choose the egg that is ``by`` places further down the list. */
  step(by) {
    const numbers = this.exam.eggs.map((egg) => egg.number);
    if (!numbers.length) return;
    const from = numbers.indexOf(this.merging?.other ?? this.selected);
    const place = (step) => numbers[(((from + step) % numbers.length) + numbers.length) % numbers.length];
    this.choose(this.merging && place(by) === this.selected ? place(2 * by) : place(by));
  }

  selectNextRemaining() {
    const [next] = this.remaining;
    if (next) this.select(next.number);
    else this.renderEggs();
  }
}
