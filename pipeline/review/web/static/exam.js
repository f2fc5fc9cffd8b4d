/** Starts an exam's page: connects its state, the answers, the keys and the buttons. */
import { createActions } from "./actions.js";
import { AnswerSender, startPolling } from "./answers.js";
import { fetchJson } from "./api.js";
import { byId, showMessage } from "./dom.js";
import { ExamPage } from "./exam_page.js";
import { listenForKeys, renderKeyList } from "./keys.js";
import { startOutcomes } from "./outcomes.js";
import { addressKeeper, openAskedPlace } from "./page_address.js";

const folder = location.pathname.replace(/\/$/, "");
const { document: text, nextExam } = byId("exam").dataset;
const worklist = `/${sessionStorage.getItem("worklist") ?? ""}`;
let keepAddress = () => {};
const page = new ExamPage(folder, JSON.parse(text), {
  onAction: (name) => actions[name](),
  onResolve: (sequence) => actions.resolve(sequence),
  onPlace: () => keepAddress(),
});
const answers = new AnswerSender(page);
const actions = createActions(page, (answer, onStored) => answers.submit(answer, onStored), { nextExam, worklist });
const { frameView } = page;

renderKeyList();
listenForKeys({
  actions,
  toolTakesKey: (event) => (page.drawing?.editor ?? page.calipers)?.key(event) ?? false,
  onNumber: (number) => page.choose(number),
  highestNumber: () => Math.max(0, ...page.exam.eggs.map((egg) => egg.number)),
});
const BUTTONS = [
  "play", "outline", "reshape", "measure", "unusable", "comment", "undo", "redo", "confirm-rest", "sign", "keys",
  "last-exam",
];
for (const id of BUTTONS) byId(id)?.addEventListener("click", () => actions[id]());
byId("sign-reviewed").addEventListener("click", () => actions.sign());
byId("frame").addEventListener("input", () => page.goTo(frameView.clipIndex, Number(byId("frame").value)));
byId("picture").addEventListener("frameunavailable", async () => {
  const answer = await fetchJson(`${folder}/clips/${frameView.clipIndex}/frames/${frameView.frame}`).catch(() => null);
  if (answer && !answer.ok) showMessage(answer.body.reason, { stays: true });
});
byId("worklist").href = worklist;

page.render();
openAskedPlace(page);
keepAddress = addressKeeper(page);
addEventListener("hashchange", () => openAskedPlace(page));
startOutcomes(folder);
startPolling(page);
// The page opens at the clip where the picture and the answers would not both be in view.
if (byId("answers").getBoundingClientRect().bottom > innerHeight) byId("workspace").scrollIntoView();
