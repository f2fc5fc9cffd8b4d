/** Confirming what is left, signing and reopening: each is asked about before it is sent. */
import { byId, showDialog, showMessage } from "./dom.js";
import { gettext, ngettext } from "./translation.js";

const numbersText = (eggs) => eggs.map((egg) => egg.number).sort((a, b) => a - b).join(", ");

export function signingActions(page, submit) {
  async function confirmRest() {
    const rest = page.remaining.filter((egg) => !egg.must_answer);
    if (!rest.length) { showMessage(gettext("Nothing is left to confirm.")); return; }
    byId("confirm-summary").textContent = ngettext(
      "Number {numbers}, as shown.", "Numbers {numbers}, each as shown.", rest.length, { numbers: numbersText(rest) },
    );
    byId("confirm-and-sign").hidden = page.exam.you.permission !== "sign" || rest.length < page.remaining.length;
    const closed = showDialog(byId("confirm-dialog"));
    byId("confirm-now").focus();
    const wish = await closed;
    if (!wish) return;
    submit({ kind: "egg", eggs: rest.map((egg) => egg.segments) }, () => {
      page.renderEggs();
      const of = page.exam.head; // only this answer is taken back, none that follows
      if (wish === "sign") sign();
      else showMessage(ngettext("{number} confirmed.", "{number} confirmed.", rest.length), { undo: () => submit({ kind: "undo", of }) });
    });
  }

  async function sign() {
    const { now, questions } = page.exam;
    const first = page.remaining.filter((egg) => egg.must_answer);
    if (first.length) {
      page.select(first[0].number);
      showMessage(ngettext(
        "Number {numbers} is uncertain and not counted. Before you sign, say what you see there, or that you cannot tell.",
        "Numbers {numbers} are uncertain and not counted. Before you sign, say what you see there, or that you cannot tell.",
        first.length,
        { numbers: numbersText(first) },
      ), { stays: true });
      return;
    }
    const open = page.remaining.length + questions.length;
    const count = now.count_text ? `${now.count_text}, ${now.at_least}; ${now.range}.` : gettext("Count: {count}.", { count: now.figure });
    byId("sign-summary").textContent = count;
    byId("sign-unreviewed").textContent = open
      ? ngettext(
        "{number} not reviewed: for this one the program's result is signed.",
        "{number} not reviewed: for these the program's result is signed.",
        open,
      )
      : "";
    const closed = showDialog(byId("sign-dialog"));
    byId("sign-now").focus();
    if (await closed !== "sign") return;
    submit({ kind: "signed" }, () => {
      showMessage(gettext("Signed."));
      scrollTo(0, 0); // to the signature, and the way to the next exam
    });
  }

  async function reopen() {
    byId("reopen-reason").value = "";
    if (await showDialog(byId("reopen-dialog")) !== "reopen") return;
    submit({ kind: "reopened", reason: byId("reopen-reason").value.trim() });
  }

  function signOrReopen() {
    if (page.exam.you.permission !== "sign") {
      showMessage(gettext("You have permission to review, but not to sign."));
    } else if (page.exam.signed) {
      reopen();
    } else {
      sign();
    }
  }

  return { confirmRest, signOrReopen };
}
