/** The history of an exam: its answers, numbered, with the time of this computer's clock. */
import { byId, createHtml } from "./dom.js";

/** at : UTC, ISO 8601 */
export function timeElement(at) {
  const when = new Date(at);
  const format = { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" };
  const zone = { ...format, timeZoneName: "short" };
  return createHtml(
    "time",
    { datetime: at, title: when.toLocaleString("en-GB", zone) },
    when.toLocaleString("en-GB", format),
  );
}

/** The latest answer first. */
export function renderHistory(events) {
  const lines = [...events].reverse().map((event) => createHtml(
    "li",
    { class: event.undone ? "undone" : null },
    createHtml("span", { class: "sequence" }, `${event.sequence}`),
    createHtml(
      "span",
      {},
      createHtml("b", {}, event.who),
      " ",
      createHtml("span", { class: "what" }, event.what),
      event.undone ? " (undone) " : " ",
      createHtml("span", { class: "soft" }, timeElement(event.at)),
    ),
  ));
  byId("history").replaceChildren(...(lines.length ? lines : [createHtml("li", { class: "soft" }, "No answers yet.")]));
}
