// The frame around each screen: where one is, how the line and the outbox stand, and where the focus goes.

import { age_s, isOld } from "./day.js";
import { h, icon, link } from "./elements.js";
import { count } from "./state.js";

/** Return an age in words. */
function ageWords(seconds) {
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min old` : `${Math.round(minutes / 60)} h old`;
}

/** Return the words on the outbox, which stand on every screen. */
export function outboxWords(now) {
  const refused = now.rows.filter((row) => row.state === "refused").length;
  const waiting = now.open.length - refused;
  if (refused) {
    return { state: "stop", words: `${refused} refused${waiting ? `, ${waiting} not sent` : ""}` };
  }
  return waiting ? { state: "wait", words: `${waiting} not sent` } : { state: "done", words: "All sent" };
}

/** Draw the bar at the top: back, the line, the outbox. */
export function bar(now, back) {
  const outbox = outboxWords(now);
  return [
    back ? h("a", { href: `#${back}`, class: "back" }, "‹ Back") : h("span", { class: "back here" }, "Rimebook"),
    h("span", { class: "line" }, now.offline ? "No signal" : "Signal"),
    h("a", { href: "#/outbox", class: `outbox outbox-${outbox.state}` }, icon(outbox.state), h("span", {}, outbox.words)),
  ];
}

/** Draw what must not go unnoticed: no line, a sign-in that is needed, a pack that is old. */
export function banners(now, newer) {
  const found = [];
  if (now.sending.needs === "sign_in") {
    found.push(h("p", { class: "banner stop" }, "You are signed out. What you did is kept. ", h("a", { href: "/field/sign-in/" }, "Sign in to send it")));
  }
  if (now.sending.needs === "other_person") {
    found.push(h("p", { class: "banner stop" }, "Somebody else's work waits on this phone. They must sign in to send it."));
  }
  if (now.offline) {
    found.push(h("p", { class: "banner wait" }, h("strong", {}, "No signal. Not yet checked. "), "Do not leave unless told so. What you do is kept on this phone."));
  }
  if (now.pack && isOld(now.pack)) {
    const words = `The day on this phone is ${ageWords(age_s(now.pack))}. `;
    found.push(h("p", { class: "banner note" }, words, h("a", { href: "#/day" }, "Load it anew")));
  }
  if (newer) {
    found.push(h("p", { class: "banner note" }, "A newer page is ready. ", h("a", { href: "#/newer" }, "Use it now")));
  }
  return found;
}

/** Draw whether one may leave a store. */
export function verdict(reasons, { offline }) {
  if (!reasons.length && !offline) {
    return h("section", { class: "verdict may", "aria-label": "May you leave?" }, icon("done"), h("p", { class: "verdict-words" }, "You may leave."));
  }
  const shown = reasons.slice(0, 4).map((reason) => h("li", {}, h("a", { href: `#${reason.to}` }, reason.words)));
  const more = reasons.length - shown.length;
  return h(
    "section",
    { class: "verdict stay", "aria-label": "May you leave?" },
    icon("stop"),
    h("p", { class: "verdict-words" }, "Do not leave yet."),
    h("ul", {}, shown, offline ? h("li", {}, "No signal: nothing is checked until it is sent.") : null, more > 0 ? h("li", {}, `And ${count(more, "more reason")}.`) : null),
  );
}

/** Return a screen that says that something is not there. */
export function absent(words, back) {
  return { title: "Not on this phone", back, body: [h("p", {}, words)], foot: [link("Today", "/today", { kind: "first" })] };
}
