/** The parts of an exam's page that show text only: the count, the signature, flags, remarks and questions. */
import { byId, createHtml, textButton } from "./dom.js";
import { withFrameLinks } from "./frame_links.js";
import { timeElement } from "./history_list.js";
import { gettext, keyed, severityName, withElements } from "./translation.js";

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
      createHtml("span", { class: `severity ${flag.severity.replace(" ", "-")}` }, severityName(flag.severity)),
      " ",
      ...withFrameLinks(flag.reason, exam.clips, onOpen),
    )),
    ...exam.comments.map((comment) => createHtml(
      "p",
      { class: "remark" },
      createHtml("b", {}, `${comment.who}: `),
      comment.remark,
    )),
  );
  byId("questions").hidden = exam.questions.length === 0;
  byId("questions").replaceChildren(...exam.questions.map((question) => {
    const close = textButton(gettext("close this question"), () => onResolve(question.sequence));
    close.disabled = isReadOnly;
    return createHtml(
      "p",
      {},
      createHtml("b", {}, gettext("{name} answered ({sequence}): {answer}.", {
        name: question.who, sequence: question.sequence, answer: question.what,
      })),
      ` ${gettext("No finding of the current result matches this answer.")} `,
      close,
    );
  }));
}

function renderCount({ now, program, signed }) {
  const isNumber = /^\d/.test(now.figure);
  byId("figure").textContent = now.figure;
  byId("figure").classList.toggle("words", !isNumber);
  byId("count-text").textContent = isNumber ? now.noun : "";
  byId("at-least").textContent = isNumber ? `, ${now.at_least}` : "";
  byId("range").textContent = now.range;
  byId("stage").textContent = [now.stage, now.follicles].filter(Boolean).join("; ");
  const isUnchanged = now.range === program.range && now.figure === program.figure;
  const count = `${program.figure}, ${program.range}`;
  const before = signed ? gettext("the program's own: {count}", { count }) : gettext("before review: {count}", { count });
  byId("program").textContent = isUnchanged ? "" : before;
}

function renderSignature({ signed, sheet }) {
  byId("signature").hidden = !signed;
  byId("unsigned").hidden = Boolean(signed);
  byId("next-exam").hidden = !signed;
  if (signed) {
    byId("signature").replaceChildren(
      ...withElements(gettext("Signed by {name}, {role}"), {
        name: createHtml("b", {}, signed.name), role: signed.role,
      }),
      createHtml("br"),
      timeElement(signed.at),
      " ",
      createHtml("a", { href: sheet }, gettext("signed sheet")),
      ...(signed.login ? [createHtml("br"), signed.login] : []),
      ...(signed.then ? [createHtml("br"), signed.then] : []),
    );
  }
  byId("sign").replaceChildren(...keyed(signed ? gettext("Reopen [g]") : gettext("Si[g]n"), createHtml));
}

export function renderOthers(names) {
  byId("others").textContent = names.length
    ? gettext("Also on this page: {names}", { names: names.join(", ") }) : "";
}
