/** Starts an exam's page: connects its state, the answers, the keys and the buttons. */
import { createActions } from "./actions.js";
import { AnswerSender, startPolling } from "./answers.js";
import { fetchJson } from "./api.js";
import { byId, showMessage } from "./dom.js";
import { ExamPage } from "./exam_page.js";
import { listenForKeys, renderKeyList } from "./keys.js";

const folder = location.pathname.replace(/\/$/, "");
const { document: text, nextExam } = byId("exam").dataset;
const page = new ExamPage(folder, JSON.parse(text), {
  onAction: (name) => actions[name](),
  onMerge: (number) => actions.mergeWith(number),
  onResolve: (sequence) => actions.resolve(sequence),
});
const answers = new AnswerSender(page);
const actions = createActions(page, (answer, onStored) => answers.submit(answer, onStored), nextExam);
const { frameView } = page;

renderKeyList();
listenForKeys({
  actions,
  editorTakesKey: (event) => page.outlineEditor?.key(event) ?? false,
  onNumber: (number) => {
    if (!page.egg(number)) return;
    if (page.isMerging) actions.mergeWith(number);
    else page.select(number);
  },
  highestNumber: () => Math.max(0, ...page.exam.eggs.map((egg) => egg.number)),
});
for (const id of ["play", "outline", "unusable", "comment", "undo", "redo", "confirm-rest", "sign", "keys"]) {
  byId(id).addEventListener("click", () => actions[id]());
}
byId("frame").addEventListener("input", () => {
  frameView.play(false);
  frameView.show(frameView.clipIndex, Number(byId("frame").value));
});
byId("picture").addEventListener("frameunavailable", async () => {
  const answer = await fetchJson(`${folder}/clips/${frameView.clipIndex}/frames/${frameView.frame}`).catch(() => null);
  if (answer && !answer.ok) showMessage(answer.body.reason);
});

page.render();
if (page.exam.eggs.length) page.select((page.remaining[0] ?? page.exam.eggs[0]).number);
else if (page.exam.clips.length) frameView.show(0, 0);
startPolling(page);
