// The service worker: registered once, and taken over by a newer one only when the page says so.

/** Register the service worker; `onNewer` is told when a newer version of the page is ready. */
export async function keepOffline(onNewer = () => {}) {
  if (!("serviceWorker" in navigator)) {
    return null;
  }
  const registration = await navigator.serviceWorker.register("/field/service-worker.js", {
    scope: "/field/",
    updateViaCache: "none",
  });
  const look = (worker) => {
    if (worker?.state === "installed" && navigator.serviceWorker.controller) {
      onNewer();
    }
  };
  look(registration.waiting);
  registration.addEventListener("updatefound", () => {
    const worker = registration.installing;
    worker?.addEventListener("statechange", () => look(worker));
  });
  return registration;
}

/** Say whether the page would open without signal now. */
export async function opensOffline() {
  const registration = await navigator.serviceWorker?.getRegistration("/field/");
  return Boolean(registration?.active);
}

/** Let the newer version take over, and load the page by it. */
export async function takeNewer() {
  const registration = await navigator.serviceWorker.getRegistration("/field/");
  if (registration?.waiting) {
    navigator.serviceWorker.addEventListener("controllerchange", () => location.reload(), { once: true });
    registration.waiting.postMessage("take over");
  }
}
