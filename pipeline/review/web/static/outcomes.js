/** What became of her eggs: recorded on the exam's page, and listed there. */
import { fetchJson, postJson } from "./api.js";
import { byId, createHtml, showDialog, showMessage } from "./dom.js";

function show(outcomes) {
  byId("outcomes").replaceChildren(...outcomes.map(({ kind, date, number, who, note }) => createHtml(
    "li",
    {},
    createHtml("b", {}, number === null ? kind : `${kind}: ${number}`),
    `, ${[date, who, note].filter(Boolean).join(", ")}`,
  )));
}

/** folder : base of the exam's addresses */
export async function startOutcomes(folder) {
  const address = `${folder}/outcomes`;
  byId("add-outcome").addEventListener("click", async () => {
    if (await showDialog(byId("outcome-dialog")) !== "save") return;
    const { ok, body } = await postJson(address, Object.fromEntries(new FormData(byId("outcome-form"))));
    if (!ok) { showMessage(body.reason, { stays: true }); return; }
    byId("outcome-form").reset();
    show(body.outcomes);
  });
  const { ok, body } = await fetchJson(address);
  if (ok) show(body.outcomes);
}
