/** An exam's page: what the server tells is shown, and what the person says is sent. */
import { ask, at, make, tell } from "./dom.js";
import { fillKeyList, listen } from "./keys.js";
import { Ledger } from "./egg_list.js";
import { Sketch } from "./outline_editor.js";
import { Stage } from "./frame_view.js";
import { Strip } from "./timeline.js";
import { fetchJson, requestName, send } from "./api.js";

const folder = location.pathname.replace(/\/$/, "");
const NEWS_SECONDS = 4;
let exam = JSON.parse(at("exam").dataset.document);
let chosen = null; // number of the egg that is spoken of
let picking = false; // the other one of two that are the same is being chosen
let begun = null; // frame where an unusable part begins
let sketch = null;
let sketchStage = "calcified";
let busy = Promise.resolve();

const stage = new Stage(folder, exam.clips, (place, frame) => moved(place, frame));
const strip = new Strip((frame) => stage.show(stage.place, frame));
const ledger = new Ledger((number) => (picking ? same(number) : choose(number)), (act) => acts[act]());

const egg = (number = chosen) => exam.eggs.find((one) => one.number === number);
const closed = () => exam.signed !== null || exam.you.may === "look";
const waiting = () => exam.eggs.filter((one) => one.verdict === null && one.listed).sort((a, b) => a.real - b.real);

// What is shown

function render() {
  stage.clips = exam.clips;
  const { now, program, signed } = exam;
  at("date").textContent = exam.date;
  at("figure").textContent = now.figure;
  at("figure").classList.toggle("words", !/^\d/.test(now.figure));
  at("says").textContent = /^\d/.test(now.figure) ? now.says.replace(/^[\d,]+ /, "") : "";
  at("least").textContent = now.least && (at("says").textContent ? `, ${now.least}` : now.least);
  at("range").textContent = now.range;
  at("stage").textContent = [now.stage, now.follicles].filter(Boolean).join("; ");
  at("program").textContent = now.range === program.range && now.figure === program.figure ? ""
    : `the program alone: ${program.figure}; ${program.range}`;
  at("seal").hidden = !signed;
  if (signed) at("seal").replaceChildren("signed by ", make("b", {}, signed.name), `, ${signed.role}`, make("br"), signed.at, " ", make("a", { href: exam.sheet }, "sheet"), signed.then ? make("br") : "", signed.then);
  at("sign").replaceChildren(...(signed ? ["open a", make("u", {}, "g"), "ain"] : ["Si", make("u", {}, "g"), "n"]));
  at("sign").disabled = exam.you.may !== "sign";
  at("others").textContent = exam.others.length ? `also here: ${exam.others.join(", ")}` : "";
  at("why").replaceChildren(...exam.flags.map((flag) => make("p", {}, make("span", { class: `severity ${flag.severity.replace(" ", "-")}` }, flag.severity), ` ${flag.reason}`)));
  at("questions").hidden = exam.questions.length === 0;
  at("questions").replaceChildren(...exam.questions.map((one) => make("p", {},
    make("b", {}, `${one.who} said: ${one.what}. `), "Nothing in the present result matches it. What of it? ",
    make("button", { type: "button", class: "word", onclick: () => say({ kind: "settled", of: one.of }), disabled: closed() }, "dealt with"))));
  at("history").replaceChildren(...[...exam.history].reverse().map((one) => make("li", {}, make("b", {}, one.who), ` ${one.what} `, make("span", { class: "soft" }, one.at))));
  at("undo").disabled = closed() || exam.undo === null;
  at("redo").disabled = closed() || exam.redo === null;
  for (const id of ["draw", "unusable", "note", "rest"]) at(id).disabled = closed();
  at("clips").replaceChildren(...exam.clips.map((clip, place) => make("button", {
    type: "button", class: "word", "aria-pressed": String(place === stage.place), onclick: () => stage.show(place, 0),
  }, clip.name)), ...exam.refused.map((clip) => make("span", { class: "soft" }, `${clip.file}: refused`)));
  renderEggs();
}

function renderEggs() {
  ledger.show(exam.eggs, chosen, { closed: closed(), picking });
  const marks = exam.eggs.map((one) => ({ egg: one, chosen: one.number === chosen, out: one.verdict === "not-egg" }));
  stage.mark(marks, sketch ? sketch.elements(sketchStage) : null);
  if (stage.clip) {
    strip.show(stage.clip, exam.eggs, chosen, begun);
    strip.at(stage.frame);
  }
  hint();
}

function moved(place, frame) {
  const clip = exam.clips[place];
  if (strip.clip !== clip) {
    at("frame").max = clip.frames - 1;
    [...at("clips").querySelectorAll("button")].forEach((button, row) => button.setAttribute("aria-pressed", String(row === place)));
    strip.show(clip, exam.eggs, chosen, begun);
  }
  at("frame").value = frame;
  at("where").textContent = clip.rate ? `${(frame / clip.rate).toFixed(1)} s, frame ${frame}` : `frame ${frame}`;
  at("play").textContent = stage.playing ? "pause" : "play";
  strip.at(frame);
}

function hint() {
  const text = picking ? `The same as which? Choose its number, or Enter when it is marked. Esc: none`
    : sketch ? "Drag along the egg's length, then pull the handles. c, t or f: its stage. Enter: keep. Esc: leave it"
      : begun !== null ? `Unusable from frame ${begun}: go to its last frame and press u. Esc: leave it` : "";
  at("hint").textContent = text;
  at("hint").hidden = !text;
}

function choose(number, look = true) {
  chosen = number;
  const one = egg();
  if (one && look && exam.clips.length) {
    stage.play(false);
    stage.show(one.best[0], one.best[1]);
  }
  renderEggs();
  ledger.reveal(number);
}

function step(by) {
  const numbers = exam.eggs.map((one) => one.number);
  if (!numbers.length) return;
  const place = numbers.indexOf(chosen);
  choose(numbers[(place + by + numbers.length) % numbers.length]);
}

// What is said

function take(document) {
  exam = document;
  if (!egg()) chosen = exam.eggs[0]?.number ?? null;
  render();
}

/** Send an answer; whoever was overtaken by another person decides what holds. */
function say(answer, after = () => {}) {
  busy = busy.then(async () => {
    if (closed() && answer.kind !== "reopened") { tell(exam.signed ? "This exam is signed. Open it again first." : "You may look, but not answer."); return; }
    const content = { request: requestName(), seen: exam.head, fingerprint: exam.fingerprint, even_so: false, answer };
    let { ok, body } = await send(`${folder}/answers`, content);
    if (body.overtaken) {
      take(body.state);
      at("meanwhile-rows").replaceChildren(...body.overtaken.map((one) => make("li", {}, make("b", {}, one.who), ` ${one.what}`)));
      if (await ask(at("meanwhile")) !== "mine") return;
      ({ ok, body } = await send(`${folder}/answers`, { ...content, request: requestName(), seen: exam.head, even_so: true }));
    }
    if (!ok) { tell(body.reason); return; }
    take(body.state);
    after();
  });
  return busy;
}

const onward = () => { const next = waiting()[0]; if (next) choose(next.number); else renderEggs(); };
const one = () => [egg().pieces];
const staged = (name) => () => { if (sketch) { sketchStage = name; renderEggs(); } else if (egg()) say({ kind: "stage", eggs: one(), stage: name }, onward); };

function same(number) {
  picking = false;
  if (number === chosen || !egg(number)) { renderEggs(); return; }
  say({ kind: "same", eggs: [egg().pieces, egg(number).pieces] }, () => choose(Math.min(number, chosen)));
}

/** The piece in view is another egg; where it is the only one, the egg is cut at the frame on the screen. */
function divide() {
  const { file } = stage.clip;
  const piece = egg().pieces.find((part) => part.clip === file && part.first <= stage.frame && stage.frame <= part.last);
  if (!piece) { tell("Go to a frame where the second egg is in view."); return; }
  const cut = egg().pieces.length > 1 ? piece : { ...piece, first: stage.frame };
  if (cut.first === piece.first && egg().pieces.length === 1) { tell("Go to the frame where the second egg begins."); return; }
  say({ kind: "two", egg: egg().pieces, apart: [cut] });
}

function outline() {
  if (!stage.clip) return;
  stage.play(false);
  const { width, height } = stage.clip;
  const sizes = exam.eggs.map((other) => stage.outline(other)).filter(Boolean);
  const [long, short] = sizes.length ? sizes[0].slice(2, 4) : [width / 16, width / 22];
  sketch = new Sketch([width / 2, height / 2, long, short, 0], renderEggs);
  sketchStage = egg()?.stage ?? "calcified";
  renderEggs();
}

function keepOutline() {
  const answer = { kind: "drawn", clip: stage.clip.file, frame: stage.frame, ellipse: sketch.answer(), stage: sketchStage };
  leave();
  say(answer, () => { chosen = exam.eggs.at(-1).number; renderEggs(); });
}

function unusable() {
  if (!stage.clip) return;
  const { file } = stage.clip;
  const marked = stage.clip.unusable.find(([first, last]) => first <= stage.frame && stage.frame <= last);
  if (begun === null && marked) { say({ kind: "usable", clip: file, first: marked[0], last: marked[1] }); return; }
  if (begun === null) { begun = stage.frame; renderEggs(); return; }
  const [first, last] = [Math.min(begun, stage.frame), Math.max(begun, stage.frame)];
  begun = null;
  say({ kind: "unusable", clip: file, first, last });
}

async function note() {
  at("note-about").textContent = egg() ? `About number ${chosen}, or the exam` : "About the exam";
  at("note-text").value = "";
  if (await ask(at("note-box")) === "keep") say({ kind: "comment", text: at("note-text").value.trim(), egg: egg() ? egg().pieces : [] });
}

async function sign() {
  if (exam.you.may !== "sign") { tell("You may review, but not sign."); return; }
  if (exam.signed) {
    at("open-reason").value = "";
    if (await ask(at("open-box")) === "open") say({ kind: "reopened", reason: at("open-reason").value.trim() });
    return;
  }
  const left = waiting().length + exam.questions.length;
  at("sign-says").textContent = `${exam.now.says}, ${exam.now.least}; ${exam.now.range}.`;
  at("sign-left").textContent = left ? `${left} of what is shown has not been spoken of; it stands as the program has it.` : "";
  at("sign-now").focus();
  const answered = ask(at("sign-box"));
  at("sign-now").focus();
  if (await answered === "sign") {
    say({ kind: "signed", name: exam.you.name, role: at("sign-role").value.trim() }, () => tell("Signed. Enter: the next exam."));
  }
}

function leave() {
  sketch?.end();
  sketch = null;
  picking = false;
  begun = null;
  renderEggs();
}

const acts = {
  confirm: () => egg() && say({ kind: "egg", eggs: one() }, onward),
  reject: () => egg() && say({ kind: "not-egg", eggs: one() }, onward),
  calcified: staged("calcified"),
  "thin-shelled": staged("thin-shelled"),
  follicle: staged("follicle"),
  same: () => { if (egg()) { picking = true; renderEggs(); tell("The same as which number?"); } },
  divide: () => egg() && divide(),
  rest: () => { const rest = waiting(); if (rest.length) say({ kind: "egg", eggs: rest.map((other) => other.pieces) }, renderEggs); else tell("Everything was spoken of."); },
  outline,
  unusable,
  note,
  undo: () => say({ kind: "undo" }),
  redo: () => say({ kind: "redo" }),
  sign,
  keys: () => ask(at("key-list")),
  play: () => { stage.play(); moved(stage.place, stage.frame); stage.paint(); },
  back: () => { stage.play(false); stage.show(stage.place, stage.frame - 1); },
  on: () => { stage.play(false); stage.show(stage.place, stage.frame + 1); },
  "far-back": () => { stage.play(false); stage.show(stage.place, stage.frame - 10); },
  "far-on": () => { stage.play(false); stage.show(stage.place, stage.frame + 10); },
  "clip-before": () => exam.clips.length && stage.show((stage.place + exam.clips.length - 1) % exam.clips.length, 0),
  "clip-after": () => exam.clips.length && stage.show((stage.place + 1) % exam.clips.length, 0),
  "egg-before": () => step(-1),
  "egg-after": () => step(1),
  leave,
  worklist: () => location.assign("/"),
  enter: () => {
    if (sketch) keepOutline();
    else if (picking) picking = false;
    else if (exam.signed) location.assign(at("exam").dataset.following);
  },
};

listen({
  acts,
  sketching: (event) => sketch?.key(event) ?? false,
  number: (number) => { if (!egg(number)) return false; if (picking) same(number); else choose(number); return true; },
  highest: () => Math.max(0, ...exam.eggs.map((other) => other.number)),
});
fillKeyList();
for (const id of ["play", "draw", "unusable", "note", "undo", "redo", "rest", "sign", "keys"]) {
  at(id).addEventListener("click", () => acts[{ draw: "outline" }[id] ?? id]());
}
at("frame").addEventListener("input", () => { stage.play(false); stage.show(stage.place, Number(at("frame").value)); });
at("picture").addEventListener("unseen", async () => {
  const answer = await fetchJson(`${folder}/clips/${stage.place}/frames/${stage.frame}`).catch(() => null);
  if (answer && !answer.ok) tell(answer.body.reason);
});

async function hear() {
  if (document.visibilityState !== "visible") return;
  const { ok, body } = await fetchJson(`${folder}/news?seen=${exam.head}`);
  if (!ok) return;
  if (body.fingerprint !== exam.fingerprint) { location.reload(); return; }
  exam.others = body.others;
  at("others").textContent = body.others.length ? `also here: ${body.others.join(", ")}` : "";
  const news = body.said.filter((one_) => one_.who !== exam.you.name);
  if (body.head > exam.head) {
    const answer = await fetchJson(`${folder}/state`);
    if (answer.ok && answer.body.head > exam.head) take(answer.body);
    if (news.length) tell(news.map((one_) => `${one_.who} ${one_.what}`).join("; "));
  }
}
setInterval(() => { hear().catch(() => {}); }, NEWS_SECONDS * 1000);

render();
if (exam.eggs.length) choose((waiting()[0] ?? exam.eggs[0]).number);
else if (exam.clips.length) stage.show(0, 0);
