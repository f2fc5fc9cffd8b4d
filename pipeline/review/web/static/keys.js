/** Keyboard shortcuts: the keys, their actions, and the list that explains them. */
import { byId, createHtml } from "./dom.js";
import { letterKeys } from "./preferences.js";
import { gettext } from "./translation.js";

/** Key, action, and text for the list. An upper-case letter is typed with Shift. */
const KEYS = [
  ["y", "confirm", gettext("confirm, with the stage shown")],
  ["n", "reject", gettext("not an egg")],
  ["c", "calcified", gettext("confirm as calcified")],
  ["t", "thin-shelled", gettext("confirm as thin-shelled")],
  ["f", "follicle", gettext("confirm as a follicle")],
  ["l", "uncertain", gettext("cannot tell: the program's result stands")],
  ["e", "merge", gettext("the same egg as another: press its number, then Enter")],
  ["d", "split", gettext("divide in two: the one in view now is another egg")],
  ["o", "outline", gettext("outline a missed egg; arrows move it, Shift and arrows resize it, comma and full stop turn it")],
  ["r", "reshape", gettext("reshape the outline of the chosen egg on this frame")],
  ["u", "unusable", gettext("mark frames as unusable: press on the first and again on the last frame")],
  ["m", "comment", gettext("remark")],
  ["a", "confirm-rest", gettext("confirm all remaining; then g also signs")],
  ["z", "undo", gettext("undo")],
  ["Z", "redo", gettext("redo")],
  ["g", "sign", gettext("sign, or reopen")],
  ["ArrowDown", "next-egg", gettext("next egg")],
  ["ArrowUp", "previous-egg", gettext("previous egg")],
  [" ", "play", gettext("play, pause")],
  ["h", "slow", gettext("half speed")],
  ["p", "loop", gettext("play the frames of the chosen egg again and again")],
  ["v", "outlines", gettext("outlines on or off")],
  ["x", "depth", gettext("depth scale on or off")],
  ["s", "measure", gettext("calipers; arrows move one end, Shift and arrows the other")],
  ["+", "zoom-in", gettext("zoom in; drag to move the picture, Ctrl and the wheel also zoom")],
  ["-", "zoom-out", gettext("zoom out")],
  ["b", "last-exam", gettext("her last exam beside this one")],
  ["ArrowRight", "next-frame", gettext("next frame")],
  ["ArrowLeft", "previous-frame", gettext("previous frame")],
  ["Shift+ArrowRight", "forward-ten-frames", gettext("ten frames forward")],
  ["Shift+ArrowLeft", "back-ten-frames", gettext("ten frames back")],
  ["]", "next-clip", gettext("next clip")],
  ["[", "previous-clip", gettext("previous clip")],
  ["w", "worklist", gettext("back to the worklist")],
  ["Escape", "cancel", gettext("cancel")],
  ["Enter", "accept", gettext("keep the outline, accept the same egg; after signing, the next exam")],
  ["?", "keys", gettext("this list")],
];
const KEY_LABELS = {
  " ": gettext("Space"),
  ArrowDown: "↓",
  ArrowUp: "↑",
  ArrowRight: "→",
  ArrowLeft: "←",
  "Shift+ArrowRight": gettext("Shift →"),
  "Shift+ArrowLeft": gettext("Shift ←"),
  Escape: gettext("Esc"),
  Enter: gettext("Enter"),
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
    row("1 2 3 …", gettext("choose the egg with this number")),
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
