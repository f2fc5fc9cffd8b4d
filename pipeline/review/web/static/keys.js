/** The page's keys: which there are, what they do, and the list that tells them. */
import { byId, createHtml } from "./dom.js";

/** Key, act, and words for the list. An upper-case letter is with Shift. */
const KEYS = [
  ["y", "confirm", "yes, an egg"],
  ["n", "reject", "not an egg"],
  ["c", "calcified", "an egg, calcified"],
  ["t", "thin-shelled", "an egg, thin-shelled"],
  ["f", "follicle", "a follicle"],
  ["e", "same", "the same as another one: then its number"],
  ["d", "divide", "two: the one in view now is another egg"],
  ["o", "outline", "outline a missed egg; arrows, Shift and arrows, comma and full stop shape it"],
  ["u", "unusable", "unusable from this frame, and again: up to this one"],
  ["m", "note", "remark"],
  ["a", "confirm-rest", "confirm all that nobody has spoken of"],
  ["z", "undo", "undo"],
  ["Z", "redo", "redo"],
  ["g", "sign", "sign, or open again"],
  ["ArrowDown", "next-egg", "the next egg"],
  ["ArrowUp", "previous-egg", "the egg before"],
  [" ", "play", "play, pause"],
  ["ArrowRight", "next-frame", "one frame on"],
  ["ArrowLeft", "previous-frame", "one frame back"],
  ["Shift+ArrowRight", "forward-ten-frames", "ten frames on"],
  ["Shift+ArrowLeft", "back-ten-frames", "ten frames back"],
  ["]", "next-clip", "the next clip"],
  ["[", "previous-clip", "the clip before"],
  ["w", "worklist", "to the worklist"],
  ["Escape", "cancel", "leave what was begun"],
  ["Enter", "accept", "keep the outline; of a signed exam: go to the next"],
  ["?", "keys", "this list"],
];
const SHOWN = { " ": "Space", ArrowDown: "↓", ArrowUp: "↑", ArrowRight: "→", ArrowLeft: "←", "Shift+ArrowRight": "Shift →", "Shift+ArrowLeft": "Shift ←", Escape: "Esc" };
const DIGIT_PAUSE = 700; // ms within which a second digit belongs to the first

export function renderKeyList() {
  const row = (key, words) => [createHtml("dt", {}, createHtml("kbd", {}, SHOWN[key] ?? key)), createHtml("dd", {}, words)];
  byId("key-rows").replaceChildren(...row("1 2 3 …", "the egg of this number"), ...KEYS.flatMap(([key, , words]) => row(key, words)));
}

/** actions : by name;  editorTakesKey(event) : whether a drawing takes the key;  number(n) : choose it;  highestNumber() : there is */
export function listenForKeys({ actions, editorTakesKey, number, highestNumber }) {
  const byKey = new Map(KEYS.map(([key, act]) => [key, act]));
  let typed = "";
  let pause = 0;

  function digit(key) {
    clearTimeout(pause);
    typed = Number(typed + key) <= highestNumber() ? typed + key : key;
    number(Number(typed));
    pause = setTimeout(() => { typed = ""; }, DIGIT_PAUSE);
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    if (event.target.matches("input:not([type=range]), textarea, select")) return;
    if (event.target.matches("button, a") && (event.key === "Enter" || event.key === " ")) return;
    if (event.target.matches("[type=range]") && event.key.startsWith("Arrow")) return;
    if (editorTakesKey(event)) { event.preventDefault(); return; }
    if (/^\d$/.test(event.key)) { event.preventDefault(); digit(event.key); return; }
    const name = event.shiftKey && event.key.startsWith("Arrow") ? `Shift+${event.key}` : event.key;
    const act = byKey.get(name);
    if (!act) return;
    event.preventDefault();
    actions[act]();
  });
}
