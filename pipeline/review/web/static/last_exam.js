/** The animal's last exam beside this one: both counts, and the pictures of all findings. */
import { fetchJson } from "./api.js";
import { byId, createHtml, showDialog, showMessage } from "./dom.js";
import { verdictText } from "./egg_list.js";
import { gettext, stageName } from "./translation.js";

function column(exam, address) {
  const { now } = exam;
  const figures = exam.eggs.filter((egg) => egg.counted).map((egg) => createHtml(
    "figure",
    {},
    createHtml("img", { src: egg.picture, width: 400, height: 300, alt: "", loading: "lazy" }),
    createHtml(
      "figcaption",
      {},
      createHtml("b", {}, String(egg.number)),
      ` ${verdictText(egg)
        ? gettext("{stage}, confirmed", { stage: stageName(egg.stage) }) : stageName(egg.stage)}`,
    ),
  ));
  return createHtml(
    "section",
    {},
    createHtml("h3", {}, address ? createHtml("a", { href: address }, exam.date) : exam.date),
    createHtml("p", {}, createHtml("b", {}, now.count_text || now.figure), now.range ? `, ${now.range}` : ""),
    createHtml("p", { class: "soft" }, [now.stage, now.follicles].filter(Boolean).join("; ")),
    createHtml("div", { class: "thumbnails" }, ...figures),
  );
}

export async function showLastExam(page) {
  const last = page.exam.last_exam;
  if (!last) { showMessage(gettext("She was not examined before.")); return; }
  const { ok, body } = await fetchJson(`${last.address}/state?present=false`);
  if (!ok) { showMessage(body.reason, { stays: true }); return; }
  byId("last-exam-columns").replaceChildren(column(body, last.address), column(page.exam, null));
  showDialog(byId("last-exam-dialog"));
}
