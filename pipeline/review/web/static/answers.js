/** Sending answers, one after the other, and asking the server for those of others. */
import { createRequestId, fetchJson, postJson } from "./api.js";
import { byId, createHtml, showDialog, showMessage } from "./dom.js";
import { renderOthers } from "./exam_header.js";
import { gettext } from "./translation.js";

const POLL_SECONDS = 4;

export class AnswerSender {
  constructor(page) {
    this.page = page;
    this.last = Promise.resolve();
  }

  /** Send an answer after those before it. onStored() : called when the server has stored it */
  submit(answer, onStored = () => {}) {
    this.last = this.last.then(() => this.send(answer, onStored));
    return this.last;
  }

  async send(answer, onStored) {
    const { page } = this;
    if (page.isReadOnly && answer.kind !== "reopened") {
      const { signed } = page.exam;
      showMessage(signed
        ? gettext("This exam is signed. Reopen it first.")
        : gettext("You have permission to view, but not to answer."));
      return;
    }
    let { ok, body } = await this.post(answer, false);
    if (body.conflict) {
      page.update(body.state);
      if (await this.askAboutConflict(body.conflict) !== "mine") return;
      ({ ok, body } = await this.post(answer, true));
    }
    if (!ok) { showMessage(body.reason, { stays: true }); return; }
    page.update(body.state);
    onStored();
  }

  post(answer, overrideConflict) {
    const { exam, folder } = this.page;
    return postJson(`${folder}/answers`, {
      request_id: createRequestId(),
      base_sequence: exam.head,
      fingerprint: exam.fingerprint,
      override_conflict: overrideConflict,
      answer,
    });
  }

  /** Show what others answered meanwhile. Resolves to "mine" if the user insists. */
  askAboutConflict(events) {
    byId("conflict-rows").replaceChildren(...events.map((event) => (
      createHtml("li", {}, createHtml("b", {}, event.who), ` ${event.what}`)
    )));
    return showDialog(byId("conflict"));
  }
}

/** Ask the server regularly for the answers of others, and who they are. */
export function startPolling(page) {
  setInterval(() => { poll(page).catch(() => {}); }, POLL_SECONDS * 1000);
}

async function poll(page) {
  if (document.visibilityState !== "visible") return;
  const { ok, body } = await fetchJson(`${page.folder}/updates?base_sequence=${page.exam.head}`);
  if (!ok) return;
  if (body.fingerprint !== page.exam.fingerprint) { location.reload(); return; }
  page.exam.others = body.others;
  renderOthers(body.others);
  if (body.head <= page.exam.head) return;
  const state = await fetchJson(`${page.folder}/state`);
  if (state.ok && state.body.head > page.exam.head) page.update(state.body);
  const news = body.events.filter((event) => event.who !== page.exam.you.name);
  if (news.length) showMessage(news.map((event) => `${event.who} ${event.what}`).join("; "));
}
