/** The login form. */
import { byId, showMessage } from "./dom.js";
import { postJson } from "./api.js";

byId("login-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = Object.fromEntries(new FormData(event.target));
  const { ok, body } = await postJson("/login", fields);
  if (ok) location.assign("/");
  else showMessage(body.reason);
});
