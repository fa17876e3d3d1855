// Talking to the server on this machine.

export class Trouble extends Error {
  constructor(message, status, body) {
    super(message);
    this.status = status;
    this.body = body;
  }
}

let held = ""; // where the browser keeps nothing

/** The key to the server: every window of this page has the same one. */
function key() {
  try {
    return localStorage.getItem("key") || held;
  } catch {
    return held;
  }
}

/** Give up the key in the address, which opens once, for the one that the page holds. */
export async function enter() {
  const given = /^#key=([\w-]+)$/.exec(location.hash);
  if (!given) return;
  history.replaceState(null, "", "/");
  const options = { method: "POST", headers: { "x-handspan-key": given[1] } };
  const response = await fetch("/api/key", options);
  if (!response.ok) return;
  const found = (await response.json()).key;
  try {
    localStorage.setItem("key", found);
  } catch {
    held = found;
  }
}

/** `path` as the browser itself can fetch it, to play or to keep. */
export function address(path) {
  return `${path}?key=${encodeURIComponent(key())}`;
}

/** Tell the view that the server, its key or a file is not there as it was. */
function lost(status) {
  if ([0, 403, 404].includes(status)) document.dispatchEvent(new Event("lost"));
}

/** @param {Response} response @returns {Promise<any>} */
async function answer(response) {
  /** @type {any} */
  let body = {};
  try {
    body = await response.json();
  } catch {
    /* not JSON: the status says enough */
  }
  if (response.ok) return body;
  const text =
    body.error ||
    (response.status === 403
      ? "This window has lost its key. Open the file that the command named."
      : `The server answered ${response.status}.`);
  lost(response.status);
  throw new Trouble(text, response.status, body);
}

async function reach(path, options) {
  try {
    const headers = { ...options?.headers, "x-handspan-key": key() };
    return await fetch(path, { ...options, headers });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    lost(0);
    throw new Trouble("The page cannot reach its server. Is handspan page still running?", 0, {});
  }
}

export async function get(path) {
  return answer(await reach(path));
}

export async function post(path, body = {}) {
  return answer(
    await reach(path, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    }),
  );
}

export async function remove(path) {
  return answer(await reach(path, { method: "DELETE" }));
}

/** @param {string} path @returns {Promise<ArrayBuffer>} */
export async function bytes(path) {
  const response = await reach(path);
  if (!response.ok) return answer(response);
  return response.arrayBuffer();
}

/**
 * Send a file. `settings` goes along as it is; `check` names the riff to hold it against; `split`
 * makes a lesson of it.
 * @param {Blob} file @param {string} name
 * @param {{settings?: object, check?: string|null, split?: boolean, signal?: AbortSignal}} options
 */
export async function upload(
  file,
  name,
  { settings = {}, check = null, split = false, signal } = {},
) {
  const query = check ? `?check=${encodeURIComponent(check)}` : "";
  return answer(
    await reach(split ? "/api/sessions" : `/api/takes${query}`, {
      method: "POST",
      headers: {
        "content-type": "application/octet-stream",
        "x-file-name": encodeURIComponent(name),
        "x-settings": encodeURIComponent(JSON.stringify(settings)),
      },
      body: file,
      signal,
    }),
  );
}

/**
 * Wait for a job, telling of its progress; resolves to its result, rejects with its error.
 * @param {string} jobId @param {(job: any) => void} tell
 */
export async function wait(jobId, tell = () => {}) {
  for (let pause = 60; ; pause = Math.min(pause * 1.2, 120)) {
    const job = await get(`/api/jobs/${jobId}`);
    tell(job);
    if (job.state === "done") return job.result;
    if (job.state === "failed") throw new Trouble(job.error, 422, job);
    if (job.state === "cancelled") throw new Trouble("Cancelled.", 499, job);
    await new Promise((resolve) => setTimeout(resolve, pause));
  }
}

/** Have a file made from a riff; resolves to its address. */
export async function make(riffId, body, tell) {
  const started = await post(`/api/riffs/${riffId}/make`, body);
  return address((started.url ? started : await wait(started.job, tell)).url);
}
