/** Keyboard shortcuts: the keys, their actions, and the list that explains them. */
import { byId, createHtml } from "./dom.js";
import { letterKeys } from "./preferences.js";

/** Key, action, and text for the list. An upper-case letter is typed with Shift. */
const KEYS = [
  ["y", "confirm", "confirm, with the stage shown"],
  ["n", "reject", "not an egg"],
  ["c", "calcified", "confirm as calcified"],
  ["t", "thin-shelled", "confirm as thin-shelled"],
  ["f", "follicle", "confirm as a follicle"],
  ["l", "uncertain", "cannot tell: the program's result stands"],
  ["e", "merge", "the same egg as another: press its number, then Enter"],
  ["d", "split", "divide in two: the one in view now is another egg"],
  ["o", "outline", "outline a missed egg; arrows move it, Shift and arrows resize it, comma and full stop turn it"],
  ["r", "reshape", "reshape the outline of the chosen egg on this frame"],
  ["u", "unusable", "mark frames as unusable: press on the first and again on the last frame"],
  ["m", "comment", "remark"],
  ["a", "confirm-rest", "confirm all remaining; then g also signs"],
  ["z", "undo", "undo"],
  ["Z", "redo", "redo"],
  ["g", "sign", "sign, or reopen"],
  ["ArrowDown", "next-egg", "next egg"],
  ["ArrowUp", "previous-egg", "previous egg"],
  [" ", "play", "play, pause"],
  ["h", "slow", "half speed"],
  ["p", "loop", "play the frames of the chosen egg again and again"],
  ["v", "outlines", "outlines on or off"],
  ["x", "depth", "depth scale on or off"],
  ["s", "measure", "calipers; arrows move one end, Shift and arrows the other"],
  ["+", "zoom-in", "zoom in; drag to move the picture, Ctrl and the wheel also zoom"],
  ["-", "zoom-out", "zoom out"],
  ["b", "last-exam", "her last exam beside this one"],
  ["ArrowRight", "next-frame", "next frame"],
  ["ArrowLeft", "previous-frame", "previous frame"],
  ["Shift+ArrowRight", "forward-ten-frames", "ten frames forward"],
  ["Shift+ArrowLeft", "back-ten-frames", "ten frames back"],
  ["]", "next-clip", "next clip"],
  ["[", "previous-clip", "previous clip"],
  ["w", "worklist", "back to the worklist"],
  ["Escape", "cancel", "cancel"],
  ["Enter", "accept", "keep the outline, accept the same egg; after signing, the next exam"],
  ["?", "keys", "this list"],
];
const KEY_LABELS = {
  " ": "Space",
  ArrowDown: "↓",
  ArrowUp: "↑",
  ArrowRight: "→",
  ArrowLeft: "←",
  "Shift+ArrowRight": "Shift →",
  "Shift+ArrowLeft": "Shift ←",
  Escape: "Esc",
};
const DIGIT_PAUSE_MS = 700; // a second digit within this time belongs to the same number

export function renderKeyList() {
  const row = (key, text) => createHtml(
    "div",
    {},
    createHtml("dt", {}, createHtml("kbd", {}, KEY_LABELS[key] ?? key)),
    createHtml("dd", {}, text),
  );
  byId("letter-keys").checked = letterKeys.isOn;
  byId("letter-keys").addEventListener("change", () => { letterKeys.isOn = byId("letter-keys").checked; });
  byId("key-rows").replaceChildren(
    row("1 2 3 …", "choose the egg with this number"),
    ...KEYS.map(([key, , text]) => row(key, text)),
  );
}

/** A letter presses the button of the open dialog that has it. */
function pressInDialog(event) {
  const button = [...document.querySelectorAll("dialog[open] button[aria-keyshortcuts]:not([hidden])")]
    .find((one) => one.getAttribute("aria-keyshortcuts") === event.key);
  if (!button || event.target.matches("input, textarea, select")) return;
  event.preventDefault();
  button.click();
}

/**
 * actions : by name;  toolTakesKey(event) : whether the tool that the user holds handles the key
 * onNumber(n) : called with a typed number;  highestNumber() : of the eggs
 */
export function listenForKeys({ actions, toolTakesKey, onNumber, highestNumber }) {
  const actionOf = new Map(KEYS.map(([key, action]) => [key, action]));
  let typed = "";
  let timer = 0;

  function addDigit(digit) {
    clearTimeout(timer);
    typed = Number(typed + digit) <= highestNumber() ? typed + digit : digit;
    onNumber(Number(typed));
    timer = setTimeout(() => { typed = ""; }, DIGIT_PAUSE_MS);
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (letterKeys.concerns(event) && !letterKeys.isOn) return;
    if (document.querySelector("dialog[open]")) { pressInDialog(event); return; }
    if (event.target.matches("input:not([type=range]), textarea, select")) return;
    if (event.target.matches("button, a, summary") && (event.key === "Enter" || event.key === " ")) return;
    if (event.target.matches("[type=range]") && event.key.startsWith("Arrow")) return;
    if (toolTakesKey(event)) { event.preventDefault(); return; }
    if (/^\d$/.test(event.key)) { event.preventDefault(); addDigit(event.key); return; }
    const name = event.shiftKey && event.key.startsWith("Arrow") ? `Shift+${event.key}` : event.key;
    const action = actionOf.get(name);
    if (!action) return;
    event.preventDefault();
    actions[action]();
  });
}
