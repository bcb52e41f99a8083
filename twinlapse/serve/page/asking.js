// Speaking to the service. The token is shown once; a cookie that no other site can use stands in for it from
// then on, also for pictures and films.

const PATIENCE_MS = 8000;

export class TokenNeeded extends Error {}
export class Refused extends Error {} // the service answered, and said no

export async function ask(path, options = {}) {
  const reply = await fetch(path, { signal: AbortSignal.timeout(PATIENCE_MS), ...options });
  if (reply.status === 401) throw new TokenNeeded("a token is needed");
  if (!reply.ok) {
    const said = await reply.json().catch(() => ({}));
    throw new Refused([said.error, said.hint].filter(Boolean).join("; ") || `it answered ${reply.status}`);
  }
  return reply;
}

export const asked = async (path) => (await ask(path)).json();

export async function post(path, body = {}, headers = {}) {
  const reply = await ask(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", ...headers },
    body: JSON.stringify(body),
    signal: AbortSignal.timeout(8 * PATIENCE_MS), // a file may be on its way to the printer
  });
  return reply.status === 204 ? {} : reply.json();
}

export async function login(token) {
  try {
    await post("/login", {}, { Authorization: `Bearer ${token}` });
    return true;
  } catch (error) {
    if (error instanceof TokenNeeded) return false;
    throw error;
  }
}

// XMLHttpRequest tells how much has gone out; fetch does not
export function upload(path, file, progress) {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = (event) => progress(event.total ? event.loaded / event.total : 0);
    request.onload = () => {
      let said = {};
      try {
        said = JSON.parse(request.responseText || "{}");
      } catch {
        // an answer that is not of this service
      }
      if (request.status === 202) done(said);
      else failed(new Refused([said.error, said.hint].filter(Boolean).join("; ") || `it answered ${request.status}`));
    };
    request.onerror = () => failed(new Error("the file did not get through"));
    request.send(file);
  });
}
