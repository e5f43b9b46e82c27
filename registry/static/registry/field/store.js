// What the phone keeps: the day pack, drafts, the outbox and photos, in IndexedDB.

const NAME = "rimebook-field";
// Each step makes the store of the version before into the next; none is ever changed.
const STEPS = [
  (database) => {
    database.createObjectStore("facts");
    database.createObjectStore("drafts");
    database.createObjectStore("photos");
    database.createObjectStore("queue", { keyPath: "key" });
  },
];

let opening = null;

/** Open the store, once, and ask the browser not to clear it; rejects where the browser keeps nothing. */
export function openStore() {
  opening ??= open().catch((error) => {
    opening = null;
    throw error;
  });
  return opening;
}

function open() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, STEPS.length);
    asked.onupgradeneeded = (event) => {
      for (const step of STEPS.slice(event.oldVersion)) {
        step(asked.result, asked.transaction);
      }
    };
    asked.onerror = () => reject(asked.error);
    asked.onsuccess = () => {
      const database = asked.result;
      const forget = () => {
        opening = null;
      };
      // A newer page of the same phone wants to change the form; this one opens it anew when it needs it.
      database.onversionchange = () => {
        database.close();
        forget();
      };
      database.onclose = forget;
      navigator.storage?.persist?.().catch(() => false);
      resolve(database);
    };
  });
}

/** Do something in one transaction and return what it returns, once that is on the disk. */
export async function within(names, mode, work) {
  const database = await openStore();
  return new Promise((resolve, reject) => {
    // Strict: what was told as kept must survive an empty battery.
    const transaction = database.transaction(names, mode, { durability: "strict" });
    let result;
    let wrong = null;
    transaction.oncomplete = () => resolve(result);
    transaction.onabort = () => reject(wrong ?? transaction.error);
    const stop = (error) => {
      wrong = error;
      try {
        transaction.abort();
      } catch {
        reject(error);
      }
    };
    Promise.resolve(work((name) => transaction.objectStore(name))).then((value) => {
      result = value;
    }, stop);
  });
}

/** Return what a request of IndexedDB finds. */
export function found(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

const read = (name, key) => within([name], "readonly", (store) => found(store(name).get(key)));
const write = (name, key, value) => within([name], "readwrite", (store) => void store(name).put(value, key));
const remove = (name, key) => within([name], "readwrite", (store) => void store(name).delete(key));

/** Return a fact by its name, undefined if there is none. */
export const fact = (name) => read("facts", name);

/** Keep a fact. */
export const saveFact = (name, value) => write("facts", name, value);

/** Return the day pack, null if none was loaded. */
export async function pack() {
  return (await fact("pack")) ?? null;
}

/** Keep a day pack, and whose it is; entity tags that it knows better than the outbox are forgotten. */
export function savePack(value) {
  return within(["facts"], "readwrite", async (store) => {
    const tags = (await found(store("facts").get("tags"))) ?? {};
    const newer = Object.entries(tags).filter(([, tag]) => tag.index > value.known_index);
    store("facts").put(value, "pack");
    store("facts").put(value.person, "person");
    store("facts").put(Object.fromEntries(newer), "tags");
  });
}

/** Return a draft by its name, null if there is none. */
export async function draft(name) {
  return (await read("drafts", name)) ?? null;
}

/** Keep what somebody has filled in so far. */
export const saveDraft = (name, value) => write("drafts", name, value);

/** Throw a draft away. */
export const dropDraft = (name) => remove("drafts", name);

/** Keep a photo (a Blob) until it is sent; returns its key. */
export async function savePhoto(blob) {
  const key = crypto.randomUUID();
  await write("photos", key, blob);
  return key;
}

/** Return a photo that was not sent yet, null if there is none. */
export async function photo(key) {
  return (await read("photos", key)) ?? null;
}

/** Throw a photo away. */
export const dropPhoto = (key) => remove("photos", key);
