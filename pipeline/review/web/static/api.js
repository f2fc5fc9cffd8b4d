/** Requests to the server: our own addresses only, with the token that our pages know. */

const token = document.querySelector("meta[name=csrf-token]")?.content ?? "";

async function read(response) {
  if (response.status === 401) {
    location.assign("/login");
    throw new Error("Come in first.");
  }
  const body = await response.json().catch(() => ({ reason: "The server gave no answer." }));
  return { ok: response.ok, status: response.status, body };
}

export const fetchJson = async (address) => read(await fetch(address, { headers: { accept: "application/json" } }));

/** A number that no other request has. */
export function createRequestId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Send JSON. Where the network fails it is sent again: a request of the same name is kept once. */
export async function postJson(address, content) {
  for (let attempt = 0; ; attempt += 1) {
    try {
      return await read(await fetch(address, {
        method: "POST",
        headers: { "content-type": "application/json", "x-clutchlight-token": token },
        body: JSON.stringify(content),
      }));
    } catch (error) {
      if (attempt === 3) return { ok: false, status: 0, body: { reason: `Not kept: the server cannot be reached. ${error.message}` } };
      await new Promise((resolve) => { setTimeout(resolve, 400 * 2 ** attempt); });
    }
  }
}
