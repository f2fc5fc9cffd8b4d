/** The login form and, on the machine itself, the list of names. */
import { showMessage } from "./dom.js";
import { postJson } from "./api.js";

async function logIn(fields) {
  const { ok, body } = await postJson("/login", fields);
  if (ok) location.assign(nextAddress());
  else showMessage(body.reason, { stays: true });
}

/** Where the user wanted to go before the login: an address of this site only. */
function nextAddress() {
  const next = new URLSearchParams(location.search).get("next") ?? "/";
  const asked = URL.canParse(next, location.origin) ? new URL(next, location.origin) : location;
  return asked !== location && asked.origin === location.origin ? asked.pathname + asked.search + location.hash : "/";
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
  else showMessage(body.reason, { stays: true });
});
