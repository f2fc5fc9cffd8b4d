/** The parts of an exam's page that show text only: the count, the signature, flags, questions and history. */
import { byId, createHtml } from "./dom.js";

/** onResolve(sequence) : called when the user closes the question of an answer */
export function renderHeader(exam, { isReadOnly, onResolve }) {
  byId("date").textContent = exam.date;
  renderCount(exam);
  renderSignature(exam);
  renderOthers(exam.others);
  byId("flags").replaceChildren(...exam.flags.map((flag) => createHtml(
    "p",
    {},
    createHtml("span", { class: `severity ${flag.severity.replace(" ", "-")}` }, flag.severity),
    ` ${flag.reason}`,
  )));
  byId("questions").hidden = exam.questions.length === 0;
  byId("questions").replaceChildren(...exam.questions.map((question) => createHtml(
    "p",
    {},
    createHtml("b", {}, `${question.who} answered: ${question.what}. `),
    "No finding of the current result matches this answer. ",
    createHtml(
      "button",
      { type: "button", class: "text-button", onclick: () => onResolve(question.sequence), disabled: isReadOnly },
      "close this question",
    ),
  )));
}

function renderCount({ now, program }) {
  const isNumber = /^\d/.test(now.figure);
  byId("figure").textContent = now.figure;
  byId("figure").classList.toggle("words", !isNumber);
  byId("count-text").textContent = isNumber ? now.count_text.replace(/^[\d,]+ /, "") : "";
  byId("at-least").textContent = isNumber ? `, ${now.at_least}` : "";
  byId("range").textContent = now.range;
  byId("stage").textContent = [now.stage, now.follicles].filter(Boolean).join("; ");
  const isUnchanged = now.range === program.range && now.figure === program.figure;
  byId("program").textContent = isUnchanged ? "" : `before review: ${program.figure}, ${program.range}`;
}

function renderSignature({ signed, sheet, you }) {
  byId("signature").hidden = !signed;
  byId("next-exam").hidden = !signed;
  if (signed) {
    byId("signature").replaceChildren(
      "Signed by ",
      createHtml("b", {}, signed.name),
      `, ${signed.role}`,
      createHtml("br"),
      `${signed.at} `,
      createHtml("a", { href: sheet }, "signed sheet"),
      ...(signed.login ? [createHtml("br"), signed.login] : []),
      ...(signed.then ? [createHtml("br"), signed.then] : []),
    );
  }
  const label = signed ? ["Reopen ", createHtml("kbd", {}, "g")] : ["Si", createHtml("u", {}, "g"), "n"];
  byId("sign").replaceChildren(...label);
  byId("sign").disabled = you.permission !== "sign";
}

export function renderOthers(names) {
  byId("others").textContent = names.length ? `Also on this page: ${names.join(", ")}` : "";
}

/** The latest answer first. */
export function renderHistory(events) {
  const lines = [...events].reverse().map((event) => createHtml(
    "li",
    {},
    createHtml("b", {}, event.who),
    ` ${event.what} `,
    createHtml("span", { class: "soft" }, event.at),
  ));
  byId("history").replaceChildren(...(lines.length ? lines : [createHtml("li", { class: "soft" }, "No answers yet.")]));
}
