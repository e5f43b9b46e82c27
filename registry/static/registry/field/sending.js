// How the outbox is sent: by one sender over all tabs, in order, each entry until it was answered.

import { clockOf, known_s, learn, now } from "./clock.js";
import { fact, found, photo, saveFact, within } from "./store.js";

const SESSION = "/field/session/";
const LOCK = "rimebook-outbox";
const ANSWER_WAIT_MS = 60_000; // a photo over a thin line
const SESSION_WAIT_MS = 15_000;
const PAUSE_S = 2; // doubled with each failure
const PAUSE_MAX_S = 300;
const DONE_KEPT_MS = 7 * 24 * 60 * 60 * 1000; // the register keeps answers longer than that
const INDEX = "Register-Index";

const state = { line: "unknown", needs: null, pauses: 0, pausedUntil: 0 };
let running = null;
let again = false;
let timer = null;

/**
 * Return how sending stands: `line` is unknown, there or gone; `needs` is null, "sign_in" or
 * "other_person" (what waits is another's, who must sign in); `pausedUntil` is when it is tried again (ms).
 */
export function standing() {
  return { ...state };
}

/** Return the rows of the outbox in order. */
export async function kept(store) {
  return (await found(store("queue").getAll())).sort((one, other) => one.order - other.order);
}

/** Send what can be sent; a call while another runs makes that one look again. */
export function settle({ tell, now: at_once }) {
  if (at_once) {
    state.pausedUntil = 0;
  }
  if (running) {
    again = true;
    return running;
  }
  running = (async () => {
    try {
      do {
        again = false;
        await alone(() => round(tell, at_once));
      } while (again);
    } finally {
      running = null;
      plan(tell);
    }
  })();
  return running;
}

/** Only where pages may keep a service worker do browsers have locks; the keys keep a repeat harmless. */
function alone(work) {
  return navigator.locks ? navigator.locks.request(LOCK, work) : work();
}

async function round(tell, at_once) {
  if (state.pausedUntil > Date.now()) {
    return;
  }
  await forgetOld();
  const tried = new Set();
  if (!(await next(null, at_once, tried))) {
    state.needs = null;
    return;
  }
  const person = await whoIsThere();
  if (person === undefined) {
    pause();
  } else if (person === null) {
    state.needs = "sign_in";
  } else {
    await saveFact("person", person);
    let row = await next(person.id, at_once, tried);
    while (row) {
      tried.add(row.key);
      if (await claim(row.key)) {
        tell();
        const outcome = await carry(row);
        await mark(row.key, outcome.row, outcome);
        tell();
        if (outcome.stop) {
          break;
        }
      }
      row = await next(person.id, at_once, tried);
    }
    if (!row) {
      state.needs = (await next(null, at_once, tried)) ? "other_person" : null;
    }
  }
  tell();
}

/** Return the first entry that can be sent, of this person if one is named; null if there is none. */
async function next(person, at_once, tried) {
  const rows = await within(["queue"], "readonly", kept);
  const open = new Set(rows.filter((row) => row.state !== "done").map((row) => row.key));
  const ready = (row) =>
    (row.state === "waiting" || row.state === "sending") &&
    !tried.has(row.key) &&
    (at_once || row.notBefore <= Date.now()) &&
    ![row.predecessor, ...row.dependsOn].some((name) => open.has(name)) &&
    (!person || row.person === person);
  return rows.find(ready) ?? null;
}

/** Return who is signed in, null for nobody, undefined where there is no line to the register. */
export async function whoIsThere() {
  const asked = Date.now();
  try {
    const answer = await fetch(SESSION, {
      cache: "no-store",
      redirect: "error",
      signal: AbortSignal.timeout(SESSION_WAIT_MS),
    });
    const told = answer.ok ? await answer.json() : null;
    if (told && "person" in told) {
      learn(told.now, asked);
      await saveFact("behind_s", known_s());
      state.line = "there";
      return told.person;
    }
  } catch {
    // No line, or a page of somebody else's in its stead.
  }
  state.line = "gone";
  return undefined;
}

/** Learn who is signed in, and keep it: what is done from now on is theirs. True where it is somebody else. */
export async function meet() {
  const person = await whoIsThere();
  if (!person || (await fact("person"))?.id === person.id) {
    return false;
  }
  await saveFact("person", person);
  return true;
}

/** Send one entry and return what becomes of it. */
async function carry(row) {
  const body = await bodyOf(row);
  if (!body) {
    const problem = { code: "photo_missing", detail: "The photo is not on this phone any more. Take it again." };
    return { row: { state: "refused", problem, sent_at: now() } };
  }
  let answer;
  let told;
  try {
    answer = await fetch(row.path, {
      method: row.method,
      headers: await headers(row),
      body: JSON.stringify(body),
      cache: "no-store",
      redirect: "error",
      signal: AbortSignal.timeout(ANSWER_WAIT_MS),
    });
    told = await answer.json();
  } catch {
    if (!answer) {
      state.line = "gone";
    }
    return later(row, null, true);
  }
  const type = answer.headers.get("Content-Type") ?? "";
  if (answer.ok && type.startsWith("application/json") && answer.headers.has(INDEX)) {
    state.pauses = 0;
    const tag = { etag: answer.headers.get("ETag"), index: Number(answer.headers.get(INDEX)) };
    return { row: { state: "done", problem: null, answer: told, sent_at: now(), tag }, tag, made: row.makes, photo: row.photo };
  }
  if (!type.startsWith("application/problem+json")) {
    return later(row, null, true);
  }
  if (answer.status === 401) {
    state.needs = "sign_in";
    // It was turned away at the door, so it can still be undone.
    return { row: { state: "waiting", tries: row.tries }, stop: true };
  }
  if (told.code === "not_allowed") {
    return { ...later(row, null, true), row: { state: "waiting", tries: row.tries } };
  }
  if (answer.status === 429 || answer.status >= 500 || told.code === "register_busy") {
    return later(row, answer, answer.status !== 500);
  }
  return { row: { state: "refused", problem: { status: answer.status, ...told }, sent_at: now() } };
}

/** Put an entry off; `all`: everything after it waits too, because the line or the register does. */
function later(row, answer, all) {
  const asked = Number(answer?.headers.get("Retry-After"));
  if (all) {
    pause(asked);
    return { row: { state: "waiting" }, stop: true };
  }
  return { row: { state: "waiting", notBefore: Date.now() + wait_ms(row.tries, asked) } };
}

function pause(asked = 0) {
  state.pausedUntil = Date.now() + wait_ms(state.pauses, asked);
  state.pauses += 1;
}

/** Return how long to wait after so many failures; phones that lost one mast do not all come back at once. */
function wait_ms(failures, asked) {
  const seconds = Math.max(Math.min(PAUSE_S * 2 ** failures, PAUSE_MAX_S), asked || 0);
  return seconds * 1000 * (0.8 + 0.4 * Math.random());
}

async function plan(tell) {
  clearTimeout(timer);
  const rows = await within(["queue"], "readonly", kept);
  const waits = rows.filter((row) => row.state === "waiting" && row.notBefore > Date.now());
  const moments = [state.pausedUntil, ...waits.map((row) => row.notBefore)].filter((at) => at > Date.now());
  if (moments.length) {
    timer = setTimeout(() => settle({ tell, now: false }), Math.min(...moments) - Date.now() + 50);
  }
}

async function headers(row) {
  const told = {
    Accept: "application/json",
    "Content-Type": "application/json",
    "Client-Clock": clockOf(row.behind_s ?? null),
    "Rimebook-Face": "field",
    "X-CSRFToken": document.cookie.match(/(?:^|; )csrftoken=([^;]+)/)?.[1] ?? "",
  };
  if (row.method === "POST") {
    told["Idempotency-Key"] = `"${row.key}"`;
  }
  const previous = await predecessor(row);
  if (previous?.tag) {
    told["If-Match"] = previous.tag;
  } else if (previous) {
    told["Predecessor-Key"] = `"${previous.key}"`;
  }
  if (row.etag) {
    told["If-Match"] = row.etag;
  }
  return told;
}

/** Return the change before: by its key, or by its tag where it had none to be known by (a PATCH). */
async function predecessor(row) {
  const name = row.predecessor ?? (row.etag || !row.thing ? row.dependsOn.at(-1) : null);
  if (!name) {
    return null;
  }
  const other = await within(["queue"], "readonly", (store) => found(store("queue").get(name)));
  if (other && other.method !== "POST") {
    return row.predecessor ? { tag: other.tag?.etag } : null;
  }
  return { key: name };
}

async function bodyOf(row) {
  if (!row.photo) {
    return row.body;
  }
  const blob = await photo(row.photo);
  if (!blob) {
    return null;
  }
  const bytes = new Uint8Array(await blob.arrayBuffer());
  let text = "";
  for (let begin = 0; begin < bytes.length; begin += 0x8000) {
    text += String.fromCharCode(...bytes.subarray(begin, begin + 0x8000));
  }
  return { ...row.body, [row.photoField]: btoa(text) };
}

/** Write that an entry is on its way, before it is; false where it was taken back meanwhile. */
function claim(key) {
  return within(["queue"], "readwrite", async (store) => {
    const row = await found(store("queue").get(key));
    if (row) {
      store("queue").put({ ...row, state: "sending", tries: row.tries + 1 });
    }
    return Boolean(row);
  });
}

/** Write what became of an entry that was sent. */
function mark(key, changes, { tag, made, photo: sent }) {
  return within(["queue", "facts", "photos"], "readwrite", async (store) => {
    const row = await found(store("queue").get(key));
    store("queue").put({ ...row, ...changes });
    if (tag?.etag && made) {
      const tags = (await found(store("facts").get("tags"))) ?? {};
      store("facts").put({ ...tags, [made]: tag }, "tags");
    }
    if (sent) {
      store("photos").delete(sent);
    }
  });
}

/** Forget what was done a week ago, unless something still builds on it. */
async function forgetOld() {
  await within(["queue"], "readwrite", async (store) => {
    const rows = await kept(store);
    const needed = new Set(
      rows.filter((row) => row.state !== "done").flatMap((row) => [row.predecessor, ...row.dependsOn]),
    );
    for (const row of rows) {
      if (row.state === "done" && !needed.has(row.key) && Date.parse(row.sent_at) < Date.now() - DONE_KEPT_MS) {
        store("queue").delete(row.key);
      }
    }
  });
}
