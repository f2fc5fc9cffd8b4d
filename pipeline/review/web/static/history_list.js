/** The history of an exam: its answers, numbered, with the time of this computer's clock. */
import { byId, createHtml } from "./dom.js";
import { withFrameLinks } from "./frame_links.js";
import { gettext, language } from "./translation.js";

/** at : UTC, ISO 8601 */
export function timeElement(at) {
  const when = new Date(at);
  const format = { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" };
  const zone = { ...format, timeZoneName: "short" };
  return createHtml(
    "time",
    { datetime: at, title: when.toLocaleString(language, zone) },
    when.toLocaleString(language, format),
  );
}

/** The latest answer first. clips : of the exam;  onOpen(clipIndex, frame) : opens a frame that an answer names */
export function renderHistory(events, clips, onOpen) {
  const lines = [...events].reverse().map((event) => createHtml(
    "li",
    { class: event.undone ? "undone" : null },
    createHtml("span", { class: "sequence" }, `${event.sequence}`),
    createHtml(
      "span",
      {},
      createHtml("b", {}, event.who),
      " ",
      createHtml("span", { class: "what" }, ...withFrameLinks(event.what, clips, onOpen)),
      event.undone ? ` ${gettext("(undone)")} ` : " ",
      createHtml("span", { class: "soft" }, timeElement(event.at)),
    ),
  ));
  byId("history").replaceChildren(...(lines.length ? lines : [createHtml("li", { class: "soft" }, gettext("No answers yet."))]));
}
