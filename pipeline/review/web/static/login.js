/** Coming in. */
import { at, tell } from "./dom.js";
import { send } from "./api.js";

at("door").addEventListener("submit", async (event) => {
  event.preventDefault();
  const told = Object.fromEntries(new FormData(event.target));
  const { ok, body } = await send("/enter", told);
  if (ok) location.assign("/");
  else tell(body.reason);
});
