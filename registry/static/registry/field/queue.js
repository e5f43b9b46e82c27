// The outbox: what was done is kept here and sent in order, once, when there is a line.
//
// An entry names the change before it on the same thing, so that the register can tell whether somebody
// else came in between. A refusal stops what builds on it, and nothing else.

import { known_s, now } from "./clock.js";
import { found, within } from "./store.js";
import { kept, settle } from "./sending.js";

/** Tells "change" whenever an entry of any tab changed. */
export const queue = new EventTarget();

const others = new BroadcastChannel("rimebook-outbox");
others.onmessage = () => queue.dispatchEvent(new Event("change"));

function tell() {
  queue.dispatchEvent(new Event("change"));
  others.postMessage("change");
}

/**
 * Keep a change until it is sent, and return its key.
 *
 * `thing` is the key of the thing in the address that is changed (null where something new is made) and
 * `etag` what was seen of it. `makes` is the key of the thing that the answer tells, `body.id` or `thing`
 * unless told. `dependsOn` names entries that must be done before. `words` say to people what it is, and
 * `seen` what its thing was like when it was done ([term, words] each, as things.js tells).
 * `photo` is the key of a kept photo that is sent as base64 in the field `photoField`. `draft` is the name
 * of the draft that this was made from: it goes in the same step.
 */
export async function enqueue(wish) {
  const key = crypto.randomUUID();
  await within(["queue", "facts", "drafts"], "readwrite", async (store) => {
    const rows = await kept(store);
    const person = await found(store("facts").get("person"));
    if (!person) {
      throw new Error("Nobody has signed in on this phone yet. Sign in first.");
    }
    const dependsOn = [wish.dependsOn ?? []].flat();
    for (const name of dependsOn) {
      if (!rows.some((row) => row.key === name)) {
        throw new Error(`There is no entry ${name} to build on.`);
      }
    }
    const thing = wish.thing ?? null;
    const before = rows.filter((row) => thing && row.makes === thing && row.state !== "done").at(-1);
    const tags = (await found(store("facts").get("tags"))) ?? {};
    store("queue").put({
      key,
      order: (rows.at(-1)?.order ?? 0) + 1,
      person: person.id,
      method: wish.method ?? "POST",
      path: wish.path,
      body: wish.body ?? {},
      words: wish.words ?? "",
      thing,
      makes: wish.makes ?? wish.body?.id ?? thing,
      etag: before || !thing ? null : (tags[thing]?.etag ?? wish.etag ?? null),
      seen: wish.seen ?? null,
      predecessor: before?.key ?? null,
      dependsOn,
      photo: wish.photo ?? null,
      photoField: wish.photoField ?? "content",
      done_at: wish.done_at ?? now(),
      behind_s: known_s(),
      state: "waiting",
      tries: 0,
      notBefore: 0,
      problem: null,
      answer: null,
      sent_at: null,
      refusals: [],
    });
    if (wish.draft) {
      store("drafts").delete(wish.draft);
    }
  });
  tell();
  wake();
  return key;
}

/**
 * Return all entries in order. `heldBy` is the key of the refused entry that an entry waits for, or null;
 * `canUndo` says whether it was never on its way.
 */
export async function entries() {
  const rows = await within(["queue"], "readonly", (store) => kept(store));
  const byKey = new Map(rows.map((row) => [row.key, row]));
  const holder = (row) => {
    for (const name of before(row)) {
      const other = byKey.get(name);
      if (other && other.state !== "done") {
        const held = other.state === "refused" ? other.key : holder(other);
        if (held) {
          return held;
        }
      }
    }
    return null;
  };
  return rows.map((row) => ({
    ...row,
    heldBy: row.state === "waiting" ? holder(row) : null,
    canUndo: row.state === "waiting" && row.tries === 0,
  }));
}

/** Return the entries that build on one, in order, those that build on these too. */
export async function buildingOn(key) {
  return over(await entries(), key);
}

/** Take back what was never on its way, and return what was taken back. Throws where others build on it. */
export function undo(key, { withWhatBuildsOnIt = false } = {}) {
  return takeOut(key, withWhatBuildsOnIt, (row) => {
    if (row.state !== "waiting" || row.tries > 0) {
      throw new Error("This was on its way already, so it may have arrived. Wait for the answer.");
    }
  });
}

/** Give up what was refused, and return what was given up. Throws where others build on it. */
export function withdraw(key, { withWhatBuildsOnIt = false } = {}) {
  return takeOut(key, withWhatBuildsOnIt, (row, chosen) => {
    if (chosen && row.state !== "refused") {
      throw new Error("Only what was refused is withdrawn. Undo it while it waits.");
    }
    if (row.state === "sending" || row.state === "done" || (row.state === "waiting" && row.tries > 0)) {
      throw new Error("Something that builds on this was sent already.");
    }
  });
}

/** Keep what somebody was shown of the thing of a refused entry: what is sent next is sent on that. */
export function saw(key, { etag, seen }) {
  return within(["queue"], "readwrite", async (store) => {
    const row = await found(store("queue").get(key));
    if (row?.state !== "refused") {
      throw new Error("Only what was refused is looked at again.");
    }
    store("queue").put({ ...row, etag, seen });
  });
}

const REPAIRED = ["method", "path", "body", "words", "etag", "dependsOn", "photo", "done_at", "seen"];

/**
 * Change what was refused and send it anew, in its place, under a fresh key, which is returned.
 *
 * `changes` holds any of method, path, body, words, etag, dependsOn, photo, done_at, seen. The refusal stays
 * with it.
 */
export async function repair(key, changes = {}) {
  const fresh = crypto.randomUUID();
  await within(["queue"], "readwrite", async (store) => {
    const rows = await kept(store);
    const old = rows.find((row) => row.key === key);
    if (old?.state !== "refused") {
      throw new Error("Only what was refused can be repaired.");
    }
    const named = Object.entries(changes).filter(([name]) => REPAIRED.includes(name));
    store("queue").delete(key);
    store("queue").put({
      ...old,
      ...Object.fromEntries(named),
      key: fresh,
      behind_s: changes.body && !sharesTime(changes.body, old.body) ? known_s() : old.behind_s,
      makes: old.makes === old.body?.id ? (changes.body?.id ?? old.makes) : old.makes,
      refusals: [...old.refusals, { key, body: old.body, problem: old.problem, sent_at: old.sent_at }],
      state: "waiting",
      tries: 0,
      notBefore: 0,
      problem: null,
    });
    const renamed = (name) => (name === key ? fresh : name);
    for (const row of rows.filter((row) => before(row).includes(key))) {
      store("queue").put({ ...row, predecessor: renamed(row.predecessor), dependsOn: row.dependsOn.map(renamed) });
    }
  });
  tell();
  wake();
  return fresh;
}

/** Send what waits, now; resolves when there is nothing more to be done for the moment. */
export function send() {
  return settle({ tell, now: true });
}

let started = false;

/** Begin to send what this tab makes, by itself: at once, when line or page come back, and after a pause. */
export function start() {
  if (!started) {
    started = true;
    addEventListener("online", () => wake(true));
    document.addEventListener("visibilitychange", () => document.hidden || wake(true));
    wake(true);
  }
}

function wake(at_once = false) {
  if (started) {
    settle({ tell, now: at_once }).catch((error) => console.error(error));
  }
}

/** Say whether a body states a time that another one stated: it was told by the clock of then. */
function sharesTime(body, other) {
  return Object.entries(body).some(([name, value]) => /^\d{4}-\d\d-\d\dT/.test(value) && other?.[name] === value);
}

/** Return the keys of what must be done before an entry. */
function before(row) {
  return row.predecessor ? [row.predecessor, ...row.dependsOn] : row.dependsOn;
}

function over(rows, key) {
  const keys = new Set([key]);
  return rows.filter((row) => before(row).some((name) => keys.has(name)) && keys.add(row.key));
}

async function takeOut(key, together, check) {
  const gone = await within(["queue", "photos"], "readwrite", async (store) => {
    const rows = await kept(store);
    const chosen = rows.find((row) => row.key === key);
    if (!chosen) {
      throw new Error("This is not in the outbox any more.");
    }
    const above = over(rows, key);
    if (above.length && !together) {
      throw new Error(`Something builds on this: ${above[0].words}. Take that back too, or first.`);
    }
    for (const row of [chosen, ...above]) {
      check(row, row === chosen);
      store("queue").delete(row.key);
      if (row.photo) {
        store("photos").delete(row.photo);
      }
    }
    return [chosen, ...above];
  });
  tell();
  return gone;
}
