/** The worklist by keyboard. */
import { byId } from "./dom.js";
import { postJson } from "./api.js";

const lines = [...document.querySelectorAll("[data-line]")];
let chosen = 0;

function choose(number) {
  chosen = Math.max(0, Math.min(lines.length - 1, number));
  lines.forEach((line, place) => line.classList.toggle("chosen", place === chosen));
  lines[chosen]?.querySelector("a").focus({ preventScroll: false });
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
  const step = { ArrowDown: 1, j: 1, ArrowUp: -1, k: -1 }[event.key];
  if (step) {
    event.preventDefault();
    choose(chosen + step);
  } else if (event.key === "/") {
    event.preventDefault();
    document.querySelector("[name=animal]").focus();
  }
});

if (lines.length && document.activeElement === document.body) choose(0);
