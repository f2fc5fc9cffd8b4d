/** The parts of an exam's page that show text only: the count, the signature, flags, remarks and questions. */
import { byId, createHtml, textButton } from "./dom.js";
import { withFrameLinks } from "./frame_links.js";
import { timeElement } from "./history_list.js";

/** onResolve(sequence) : closes the question of an answer;  onOpen(clipIndex, frame) : opens a frame */
export function renderHeader(exam, { isReadOnly, onResolve, onOpen }) {
  byId("date").textContent = exam.date;
  renderCount(exam);
  renderSignature(exam);
  renderOthers(exam.others);
  byId("flags").replaceChildren(
    ...exam.flags.map((flag) => createHtml(
      "p",
      {},
      createHtml("span", { class: `severity ${flag.severity.replace(" ", "-")}` }, flag.severity),
      " ",
      ...withFrameLinks(flag.reason, exam.clips, onOpen),
    )),
    ...exam.comments.map((comment) => createHtml(
      "p",
      { class: "remark" },
      createHtml("b", {}, `${comment.who}: `),
      comment.what.replace(/^commented: /, ""),
    )),
  );
  byId("questions").hidden = exam.questions.length === 0;
  byId("questions").replaceChildren(...exam.questions.map((question) => {
    const close = textButton("close this question", () => onResolve(question.sequence));
    close.disabled = isReadOnly;
    return createHtml(
      "p",
      {},
      createHtml("b", {}, `${question.who} answered (${question.sequence}): ${question.what}. `),
      "No finding of the current result matches this answer. ",
      close,
    );
  }));
}

function renderCount({ now, program, signed }) {
  const isNumber = /^\d/.test(now.figure);
  byId("figure").textContent = now.figure;
  byId("figure").classList.toggle("words", !isNumber);
  byId("count-text").textContent = isNumber ? now.count_text.replace(/^[\d,]+ /, "") : "";
  byId("at-least").textContent = isNumber ? `, ${now.at_least}` : "";
  byId("range").textContent = now.range;
  byId("stage").textContent = [now.stage, now.follicles].filter(Boolean).join("; ");
  const isUnchanged = now.range === program.range && now.figure === program.figure;
  const before = signed ? "the program's own" : "before review";
  byId("program").textContent = isUnchanged ? "" : `${before}: ${program.figure}, ${program.range}`;
}

function renderSignature({ signed, sheet }) {
  byId("signature").hidden = !signed;
  byId("unsigned").hidden = Boolean(signed);
  byId("next-exam").hidden = !signed;
  if (signed) {
    byId("signature").replaceChildren(
      "Signed by ",
      createHtml("b", {}, signed.name),
      `, ${signed.role}`,
      createHtml("br"),
      timeElement(signed.at),
      " ",
      createHtml("a", { href: sheet }, "signed sheet"),
      ...(signed.login ? [createHtml("br"), signed.login] : []),
      ...(signed.then ? [createHtml("br"), signed.then] : []),
    );
  }
  const label = signed ? ["Reopen ", createHtml("kbd", {}, "g")] : ["Si", createHtml("u", {}, "g"), "n"];
  byId("sign").replaceChildren(...label);
}

export function renderOthers(names) {
  byId("others").textContent = names.length ? `Also on this page: ${names.join(", ")}` : "";
}
