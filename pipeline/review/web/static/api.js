/** Requests to our own server, with the token that only our pages know. */
import { gettext } from "./translation.js";

const RETRIES = 3;
const FIRST_RETRY_MS = 400; // doubled with every retry

const token = document.querySelector("meta[name=csrf-token]")?.content ?? "";

/** The login page, from which the user comes back here. */
const loginAddress = () => `/login?next=${encodeURIComponent(location.pathname + location.search)}${location.hash}`;

async function read(response) {
  if (response.status === 401 && location.pathname !== "/login") location.assign(loginAddress());
  const body = await response.json().catch(() => ({ reason: gettext("The server sent no answer.") }));
  return { ok: response.ok, status: response.status, body };
}

export const fetchJson = async (address) => read(await fetch(address, { headers: { accept: "application/json" } }));

/** An id that no other request has. */
export function createRequestId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Send JSON. If the network fails it is sent again: the server stores one request id only once. */
export async function postJson(address, content) {
  const request = {
    method: "POST",
    headers: { "content-type": "application/json", "x-clutchlight-token": token },
    body: JSON.stringify(content),
  };
  for (let retry = 0; ; retry += 1) {
    try {
      return read(await fetch(address, request));
    } catch (error) {
      if (retry === RETRIES) {
        const reason = gettext("Not saved: the server cannot be reached. {problem}", { problem: error.message });
        return { ok: false, status: 0, body: { reason } };
      }
      await new Promise((resolve) => { setTimeout(resolve, FIRST_RETRY_MS * 2 ** retry); });
    }
  }
}
