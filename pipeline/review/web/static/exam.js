/** An exam's page: what the server tells is shown, and what the person says is sent. */
import { showDialog, byId, createHtml, showMessage } from "./dom.js";
import { renderKeyList, listenForKeys } from "./keys.js";
import { EggList } from "./egg_list.js";
import { OutlineEditor } from "./outline_editor.js";
import { FrameView } from "./frame_view.js";
import { Timeline } from "./timeline.js";
import { fetchJson, createRequestId, postJson } from "./api.js";

const folder = location.pathname.replace(/\/$/, "");
const POLL_SECONDS = 4;
let exam = JSON.parse(byId("exam").dataset.document);
let chosen = null; // number of the egg that is spoken of
let picking = false; // the other one of two that are the same is being chosen
let unusableFrom = null; // frame where an unusable part begins
let outlineEditor = null;
let outlineStage = "calcified";
let busy = Promise.resolve();

const frameView = new FrameView(folder, exam.clips, (clipIndex, frame) => frameShown(clipIndex, frame));
const timeline = new Timeline((frame) => frameView.show(frameView.clipIndex, frame));
const eggList = new EggList((number) => (picking ? same(number) : choose(number)), (act) => actions[act]());

const egg = (number = chosen) => exam.eggs.find((one) => one.number === number);
const isReadOnly = () => exam.signed !== null || exam.you.permission === "look";
const unreviewedEggs = () => exam.eggs.filter((one) => one.verdict === null && one.counted_by_batch).sort((a, b) => a.confidence - b.confidence);

// What is shown

function render() {
  frameView.clips = exam.clips;
  const { now, program, signed } = exam;
  byId("date").textContent = exam.date;
  byId("figure").textContent = now.figure;
  byId("figure").classList.toggle("words", !/^\d/.test(now.figure));
  byId("count-text").textContent = /^\d/.test(now.figure) ? now.count_text.replace(/^[\d,]+ /, "") : "";
  byId("at-least").textContent = now.at_least && (byId("count-text").textContent ? `, ${now.at_least}` : now.at_least);
  byId("range").textContent = now.range;
  byId("stage").textContent = [now.stage, now.follicles].filter(Boolean).join("; ");
  byId("program").textContent = now.range === program.range && now.figure === program.figure ? ""
    : `the program alone: ${program.figure}; ${program.range}`;
  byId("signature").hidden = !signed;
  if (signed) byId("signature").replaceChildren("signed by ", createHtml("b", {}, signed.name), `, ${signed.role}`, createHtml("br"), signed.at, " ", createHtml("a", { href: exam.sheet }, "sheet"), signed.then ? createHtml("br") : "", signed.then);
  byId("sign").replaceChildren(...(signed ? ["open a", createHtml("u", {}, "g"), "ain"] : ["Si", createHtml("u", {}, "g"), "n"]));
  byId("sign").disabled = exam.you.permission !== "sign";
  byId("others").textContent = exam.others.length ? `also here: ${exam.others.join(", ")}` : "";
  byId("flags").replaceChildren(...exam.flags.map((flag) => createHtml("p", {}, createHtml("span", { class: `severity ${flag.severity.replace(" ", "-")}` }, flag.severity), ` ${flag.reason}`)));
  byId("questions").hidden = exam.questions.length === 0;
  byId("questions").replaceChildren(...exam.questions.map((one) => createHtml("p", {},
    createHtml("b", {}, `${one.who} said: ${one.what}. `), "Nothing in the present result matches it. What of it? ",
    createHtml("button", { type: "button", class: "text-button", onclick: () => submitAnswer({ kind: "settled", of: one.of }), disabled: isReadOnly() }, "dealt with"))));
  byId("history").replaceChildren(...[...exam.history].reverse().map((one) => createHtml("li", {}, createHtml("b", {}, one.who), ` ${one.what} `, createHtml("span", { class: "soft" }, one.at))));
  byId("undo").disabled = isReadOnly() || exam.undo === null;
  byId("redo").disabled = isReadOnly() || exam.redo === null;
  for (const id of ["draw", "unusable", "note", "confirm-rest"]) byId(id).disabled = isReadOnly();
  byId("clips").replaceChildren(...exam.clips.map((clip, clipIndex) => createHtml("button", {
    type: "button", class: "text-button", "aria-pressed": String(clipIndex === frameView.clipIndex), onclick: () => frameView.show(clipIndex, 0),
  }, clip.name)), ...exam.refused.map((clip) => createHtml("span", { class: "soft" }, `${clip.file}: refused`)));
  renderEggs();
}

function renderEggs() {
  eggList.show(exam.eggs, chosen, { readOnly: isReadOnly(), picking });
  const marks = exam.eggs.map((one) => ({ egg: one, chosen: one.number === chosen, rejected: one.verdict === "not-egg" }));
  frameView.mark(marks, outlineEditor ? outlineEditor.elements(outlineStage) : null);
  if (frameView.clip) {
    timeline.show(frameView.clip, exam.eggs, chosen, unusableFrom);
    timeline.setPlayhead(frameView.frame);
  }
  hint();
}

function frameShown(clipIndex, frame) {
  const clip = exam.clips[clipIndex];
  if (timeline.clip !== clip) {
    byId("frame").max = clip.frames - 1;
    [...byId("clips").querySelectorAll("button")].forEach((button, row) => button.setAttribute("aria-pressed", String(row === clipIndex)));
    timeline.show(clip, exam.eggs, chosen, unusableFrom);
  }
  byId("frame").value = frame;
  byId("position").textContent = clip.rate ? `${(frame / clip.rate).toFixed(1)} s, frame ${frame}` : `frame ${frame}`;
  byId("play").textContent = frameView.playing ? "pause" : "play";
  timeline.setPlayhead(frame);
}

function hint() {
  const text = picking ? `The same as which? Choose its number, or Enter when it is marked. Esc: none`
    : outlineEditor ? "Drag along the egg's length, then pull the handles. c, t or f: its stage. Enter: keep. Esc: leave it"
      : unusableFrom !== null ? `Unusable from frame ${unusableFrom}: go to its last frame and press u. Esc: leave it` : "";
  byId("hint").textContent = text;
  byId("hint").hidden = !text;
}

function choose(number, look = true) {
  chosen = number;
  const one = egg();
  if (one && look && exam.clips.length) {
    frameView.play(false);
    frameView.show(one.best[0], one.best[1]);
  }
  renderEggs();
  eggList.reveal(number);
}

function step(by) {
  const numbers = exam.eggs.map((one) => one.number);
  if (!numbers.length) return;
  const place = numbers.indexOf(chosen);
  choose(numbers[(place + by + numbers.length) % numbers.length]);
}

// What is said

function applyState(document) {
  exam = document;
  if (!egg()) chosen = exam.eggs[0]?.number ?? null;
  render();
}

/** Send an answer; whoever was overtaken by another person decides what holds. */
function submitAnswer(answer, after = () => {}) {
  busy = busy.then(async () => {
    if (isReadOnly() && answer.kind !== "reopened") { showMessage(exam.signed ? "This exam is signed. Open it again first." : "You may look, but not answer."); return; }
    const content = { request_id: createRequestId(), base_sequence: exam.head, fingerprint: exam.fingerprint, override_conflict: false, answer };
    let { ok, body } = await postJson(`${folder}/answers`, content);
    if (body.conflict) {
      applyState(body.state);
      byId("conflict-rows").replaceChildren(...body.conflict.map((one) => createHtml("li", {}, createHtml("b", {}, one.who), ` ${one.what}`)));
      if (await showDialog(byId("conflict")) !== "mine") return;
      ({ ok, body } = await postJson(`${folder}/answers`, { ...content, request_id: createRequestId(), base_sequence: exam.head, override_conflict: true }));
    }
    if (!ok) { showMessage(body.reason); return; }
    applyState(body.state);
    after();
  });
  return busy;
}

const selectNextUnreviewed = () => { const next = unreviewedEggs()[0]; if (next) choose(next.number); else renderEggs(); };
const one = () => [egg().segments];
const staged = (name) => () => { if (outlineEditor) { outlineStage = name; renderEggs(); } else if (egg()) submitAnswer({ kind: "stage", eggs: one(), stage: name }, selectNextUnreviewed); };

function same(number) {
  picking = false;
  if (number === chosen || !egg(number)) { renderEggs(); return; }
  submitAnswer({ kind: "same", eggs: [egg().segments, egg(number).segments] }, () => choose(Math.min(number, chosen)));
}

/** The segment in view is another egg; where it is the only one, the egg is cut at the frame on the screen. */
function divide() {
  const { file } = frameView.clip;
  const segment = egg().segments.find((part) => part.clip === file && part.first <= frameView.frame && frameView.frame <= part.last);
  if (!segment) { showMessage("Go to a frame where the second egg is in view."); return; }
  const cut = egg().segments.length > 1 ? segment : { ...segment, first: frameView.frame };
  if (cut.first === segment.first && egg().segments.length === 1) { showMessage("Go to the frame where the second egg begins."); return; }
  submitAnswer({ kind: "two", egg: egg().segments, apart: [cut] });
}

function outline() {
  if (!frameView.clip) return;
  frameView.play(false);
  const { width, height } = frameView.clip;
  const sizes = exam.eggs.map((other) => frameView.outline(other)).filter(Boolean);
  const [long, short] = sizes.length ? sizes[0].slice(2, 4) : [width / 16, width / 22];
  outlineEditor = new OutlineEditor([width / 2, height / 2, long, short, 0], renderEggs);
  outlineStage = egg()?.stage ?? "calcified";
  renderEggs();
}

function keepOutline() {
  const answer = { kind: "drawn", clip: frameView.clip.file, frame: frameView.frame, ellipse: outlineEditor.answer(), stage: outlineStage };
  cancel();
  submitAnswer(answer, () => { chosen = exam.eggs.at(-1).number; renderEggs(); });
}

function unusable() {
  if (!frameView.clip) return;
  const { file } = frameView.clip;
  const marked = frameView.clip.unusable.find(([first, last]) => first <= frameView.frame && frameView.frame <= last);
  if (unusableFrom === null && marked) { submitAnswer({ kind: "usable", clip: file, first: marked[0], last: marked[1] }); return; }
  if (unusableFrom === null) { unusableFrom = frameView.frame; renderEggs(); return; }
  const [first, last] = [Math.min(unusableFrom, frameView.frame), Math.max(unusableFrom, frameView.frame)];
  unusableFrom = null;
  submitAnswer({ kind: "unusable", clip: file, first, last });
}

async function note() {
  byId("note-about").textContent = egg() ? `About number ${chosen}, or the exam` : "About the exam";
  byId("note-text").value = "";
  if (await showDialog(byId("note-box")) === "keep") submitAnswer({ kind: "comment", text: byId("note-text").value.trim(), egg: egg() ? egg().segments : [] });
}

async function sign() {
  if (exam.you.permission !== "sign") { showMessage("You may review, but not sign."); return; }
  if (exam.signed) {
    byId("open-reason").value = "";
    if (await showDialog(byId("open-box")) === "open") submitAnswer({ kind: "reopened", reason: byId("open-reason").value.trim() });
    return;
  }
  const left = unreviewedEggs().length + exam.questions.length;
  byId("sign-says").textContent = `${exam.now.count_text}, ${exam.now.at_least}; ${exam.now.range}.`;
  byId("sign-left").textContent = left ? `${left} of what is shown has not been spoken of; it stands as the program has it.` : "";
  byId("sign-now").focus();
  const answered = showDialog(byId("sign-box"));
  byId("sign-now").focus();
  if (await answered === "sign") {
    submitAnswer({ kind: "signed", name: exam.you.name, role: byId("sign-role").value.trim() }, () => showMessage("Signed. Enter: the next exam."));
  }
}

function cancel() {
  outlineEditor?.end();
  outlineEditor = null;
  picking = false;
  unusableFrom = null;
  renderEggs();
}

const actions = {
  confirm: () => egg() && submitAnswer({ kind: "egg", eggs: one() }, selectNextUnreviewed),
  reject: () => egg() && submitAnswer({ kind: "not-egg", eggs: one() }, selectNextUnreviewed),
  calcified: staged("calcified"),
  "thin-shelled": staged("thin-shelled"),
  follicle: staged("follicle"),
  same: () => { if (egg()) { picking = true; renderEggs(); showMessage("The same as which number?"); } },
  divide: () => egg() && divide(),
  "confirm-rest": () => { const rest = unreviewedEggs(); if (rest.length) submitAnswer({ kind: "egg", eggs: rest.map((other) => other.segments) }, renderEggs); else showMessage("Everything was spoken of."); },
  outline,
  unusable,
  note,
  undo: () => submitAnswer({ kind: "undo" }),
  redo: () => submitAnswer({ kind: "redo" }),
  sign,
  keys: () => showDialog(byId("key-list")),
  play: () => { frameView.play(); frameShown(frameView.clipIndex, frameView.frame); frameView.paint(); },
  "previous-frame": () => { frameView.play(false); frameView.show(frameView.clipIndex, frameView.frame - 1); },
  "next-frame": () => { frameView.play(false); frameView.show(frameView.clipIndex, frameView.frame + 1); },
  "back-ten-frames": () => { frameView.play(false); frameView.show(frameView.clipIndex, frameView.frame - 10); },
  "forward-ten-frames": () => { frameView.play(false); frameView.show(frameView.clipIndex, frameView.frame + 10); },
  "previous-clip": () => exam.clips.length && frameView.show((frameView.clipIndex + exam.clips.length - 1) % exam.clips.length, 0),
  "next-clip": () => exam.clips.length && frameView.show((frameView.clipIndex + 1) % exam.clips.length, 0),
  "previous-egg": () => step(-1),
  "next-egg": () => step(1),
  cancel,
  worklist: () => location.assign("/"),
  accept: () => {
    if (outlineEditor) keepOutline();
    else if (picking) picking = false;
    else if (exam.signed) location.assign(byId("exam").dataset.nextExam);
  },
};

listenForKeys({
  actions,
  editorTakesKey: (event) => outlineEditor?.key(event) ?? false,
  number: (number) => { if (!egg(number)) return false; if (picking) same(number); else choose(number); return true; },
  highestNumber: () => Math.max(0, ...exam.eggs.map((other) => other.number)),
});
renderKeyList();
for (const id of ["play", "draw", "unusable", "note", "undo", "redo", "confirm-rest", "sign", "keys"]) {
  byId(id).addEventListener("click", () => actions[{ draw: "outline" }[id] ?? id]());
}
byId("frame").addEventListener("input", () => { frameView.play(false); frameView.show(frameView.clipIndex, Number(byId("frame").value)); });
byId("picture").addEventListener("frameunavailable", async () => {
  const answer = await fetchJson(`${folder}/clips/${frameView.clipIndex}/frames/${frameView.frame}`).catch(() => null);
  if (answer && !answer.ok) showMessage(answer.body.reason);
});

async function pollUpdates() {
  if (document.visibilityState !== "visible") return;
  const { ok, body } = await fetchJson(`${folder}/updates?base_sequence=${exam.head}`);
  if (!ok) return;
  if (body.fingerprint !== exam.fingerprint) { location.reload(); return; }
  exam.others = body.others;
  byId("others").textContent = body.others.length ? `also here: ${body.others.join(", ")}` : "";
  const news = body.events.filter((one_) => one_.who !== exam.you.name);
  if (body.head > exam.head) {
    const answer = await fetchJson(`${folder}/state`);
    if (answer.ok && answer.body.head > exam.head) applyState(answer.body);
    if (news.length) showMessage(news.map((one_) => `${one_.who} ${one_.what}`).join("; "));
  }
}
setInterval(() => { pollUpdates().catch(() => {}); }, POLL_SECONDS * 1000);

render();
if (exam.eggs.length) choose((unreviewedEggs()[0] ?? exam.eggs[0]).number);
else if (exam.clips.length) frameView.show(0, 0);
