// Starts the page: keeps it for use without signal, and sends what waits.

import { keepOffline } from "./install.js";
import { start } from "./queue.js";
import { openStore } from "./store.js";

await openStore();
start();
await keepOffline();
