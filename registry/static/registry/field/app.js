// Starts the page: shows the screen that the address names, keeps the page for use without signal, and
// sends what waits.

import { recall } from "./clock.js";
import { keepOffline, takeNewer } from "./install.js";
import { h, say } from "./elements.js";
import { banners, bar, outboxWords } from "./frame.js";
import { queue, start } from "./queue.js";
import { meet } from "./sending.js";
import { look } from "./state.js";
import { fact, openStore } from "./store.js";
import { screenAt } from "./screens/addresses.js";

const CHECK_LINE_MS = 20_000;

/** What is shown now: its number, so that a screen that was slow never covers a later one. */
const shown = { turn: 0, moved: false, screen: null, newer: false, said: "" };
const places = {};

function build() {
  places.bar = h("nav", { class: "bar", "aria-label": "Place and outbox" });
  places.banners = h("div", { class: "banners" });
  places.body = h("div", { class: "screen" });
  places.foot = h("div", { class: "foot" });
  const main = document.getElementById("page");
  main.removeAttribute("tabindex");
  main.replaceChildren(places.banners, places.body, places.foot);
  main.before(places.bar);
  main.after(
    h("div", { id: "said", class: "unseen", role: "status", "aria-live": "polite" }),
    h("div", { id: "said-urgently", class: "unseen", role: "alert", "aria-live": "assertive" }),
  );
}

const address = () => location.hash.slice(1) || "/today";

/** Show the screen of the address; `moved`: somebody went there, so the focus goes to its heading. */
async function show(moved) {
  shown.turn += 1;
  // A change of the outbox may overtake somebody's step to another screen; the focus still goes there.
  shown.moved ||= moved;
  const turn = shown.turn;
  const tools = { go, redraw: () => show(false), say };
  const now = await look();
  const screen = await screenAt(address(), now, tools);
  if (turn !== shown.turn) {
    screen.leave?.();
    return;
  }
  shown.screen?.leave?.();
  shown.screen = screen;
  const arrived = shown.moved;
  shown.moved = false;
  draw(now, screen, arrived);
}

function draw(now, screen, moved) {
  const focused = document.activeElement?.id;
  const heading = h("h1", { id: "heading", tabindex: "-1" }, screen.title);
  places.body.replaceChildren(heading, ...[screen.body].flat(Infinity).filter(Boolean));
  places.foot.replaceChildren(...(screen.foot ?? []).flat().filter(Boolean));
  places.foot.hidden = !places.foot.childElementCount;
  document.title = `${screen.title} | Rimebook`;
  around(now);
  if (moved) {
    scrollTo(0, 0);
    heading.focus({ preventScroll: true });
  } else if (focused && document.activeElement === document.body) {
    document.getElementById(focused)?.focus();
  }
}

/** Draw the frame anew, and say what changed of it. */
function around(now) {
  const at = document.activeElement?.closest?.(".bar a")?.className;
  places.bar.replaceChildren(...bar(now, shown.screen?.back));
  if (at) {
    [...places.bar.querySelectorAll("a")].find((other) => other.className.startsWith(at.split(" ")[0]))?.focus();
  }
  places.banners.replaceChildren(...banners(now, shown.newer));
  const words = `${now.offline ? "No signal." : "Signal."} ${outboxWords(now).words}.`;
  if (shown.said && shown.said !== words) {
    say(words, { urgent: outboxWords(now).state === "stop" });
  }
  shown.said = words;
  navigator.setAppBadge?.(now.open.length).catch(() => {});
}

/** Something changed in the outbox or of the line: forms stay as they are, other screens are drawn anew. */
async function changed() {
  const screen = shown.screen;
  if (screen?.form) {
    const now = await look();
    around(now);
    screen.changed?.(now);
  } else {
    await show(false);
  }
}

function go(to) {
  if (address() === to) {
    show(true);
  } else {
    location.hash = to;
  }
}

async function begin() {
  build();
  addEventListener("hashchange", () => (address() === "/newer" ? takeNewer() : show(true)));
  addEventListener("online", changed);
  addEventListener("offline", changed);
  queue.addEventListener("change", changed);
  setInterval(() => look().then(around), CHECK_LINE_MS);
  try {
    await openStore();
  } catch {
    places.body.replaceChildren(
      h("h1", {}, "This phone keeps nothing"),
      h("p", {}, "The browser does not let this page keep anything, so work without signal would be lost. Leave private browsing, or free some space, and open the page again."),
    );
    return;
  }
  recall(await fact("behind_s"));
  await show(true);
  start();
  meet().then((other) => other && show(false));
  try {
    await keepOffline(() => {
      shown.newer = true;
      look().then(around);
    });
  } catch (error) {
    console.warn("The page cannot be kept for use without signal.", error); // Today tells it
  }
}

await begin();
