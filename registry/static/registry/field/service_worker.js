// Keeps the page's files on the phone, all of one version, so that it opens without signal.
//
// The server puts `KEPT` in front: the version, the shell's address and the files. Nothing of the register
// is ever kept here: answers of the API go past this, and what the phone may keep lies in the day pack.

const CACHE = `field-${KEPT.version}`;
const ADDRESSES = new Set([KEPT.shell, ...KEPT.files]);

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(CACHE);
      // Past the browser's own cache, which may still hold a file of the version before.
      await cache.addAll([...ADDRESSES].map((address) => new Request(address, { cache: "reload" })));
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (name.startsWith("field-") && name !== CACHE) {
          await caches.delete(name);
        }
      }
      await self.clients.claim();
    })(),
  );
});

// A page asks for the newer version when nobody is in the middle of something.
self.addEventListener("message", (event) => {
  if (event.data === "take over") {
    self.skipWaiting();
  }
});

self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  if (event.request.method !== "GET" || address.origin !== self.location.origin) {
    return;
  }
  if (ADDRESSES.has(address.pathname)) {
    event.respondWith(kept(address.pathname, event.request));
  } else if (event.request.mode === "navigate" && address.pathname.startsWith(KEPT.shell)) {
    // Signing in needs the register; without signal the page says so, and goes on with what it has.
    event.respondWith(fetch(event.request).catch(() => kept(KEPT.shell, event.request)));
  }
});

async function kept(address, request) {
  const cache = await caches.open(CACHE);
  return (await cache.match(address)) ?? fetch(request);
}
