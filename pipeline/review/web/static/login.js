/** The login form and, on the machine itself, the list of names. */
import { showMessage } from "./dom.js";
import { postJson } from "./api.js";

async function logIn(fields) {
  const { ok, body } = await postJson("/login", fields);
  if (ok) location.assign("/");
  else showMessage(body.reason);
}

function onSubmit(id, send) {
  document.forms[id]?.addEventListener("submit", (event) => {
    event.preventDefault();
    send(Object.fromEntries(new FormData(event.target)));
  });
}

onSubmit("login-form", logIn);
onSubmit("new-name-form", async (fields) => {
  const { ok, body } = await postJson("/login/names", fields);
  if (ok) await logIn({ name: body.name });
  else showMessage(body.reason);
});
