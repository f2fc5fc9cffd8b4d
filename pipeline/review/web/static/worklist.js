/** The worklist: selection by keyboard, filters, log out. */
import { byId } from "./dom.js";
import { postJson } from "./api.js";
import { letterKeys } from "./preferences.js";

const lines = [...document.querySelectorAll("[data-line]")];
let selected = 0;

sessionStorage.setItem("worklist", location.search); // an exam's page leads back to this list

function select(index) {
  selected = Math.max(0, Math.min(lines.length - 1, index));
  lines.forEach((line, place) => line.classList.toggle("selected", place === selected));
  lines[selected]?.querySelector("a").focus({ preventScroll: false });
}

byId("logout").addEventListener("click", async () => {
  await postJson("/logout", {});
  location.assign("/login");
});

document.querySelectorAll(".filters select").forEach((field) => {
  field.addEventListener("change", () => field.form.requestSubmit());
});

document.addEventListener("keydown", (event) => {
  if (event.target.matches("input, select") || event.ctrlKey || event.metaKey || event.altKey) return;
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (step) {
    event.preventDefault();
    select(selected + step);
  } else if (event.key === "/" && letterKeys.isOn) {
    event.preventDefault();
    document.querySelector("[name=animal]").focus();
  }
});

// On a touch screen there are no arrow keys, and a focused line would only look odd.
const hasKeyboard = matchMedia("(pointer: fine)").matches;
if (hasKeyboard && lines.length && document.activeElement === document.body) select(0);
