// Somebody changed a thing between what was done and its sending: what it was, what it is, and the choice.

import { loadDay } from "../day.js";
import { box, button, h, link, say } from "../elements.js";
import { absent } from "../frame.js";
import { repair, saw, withdraw } from "../queue.js";
import { wasOvertaken } from "../state.js";
import { compared, thingIn } from "../things.js";
import { screenOf, taking } from "./outbox.js";

/** The screen of a change that was overtaken; the register is asked anew each time that it is shown. */
export async function changed(now, key, { go, redraw }) {
  const row = now.rows.find((other) => other.key === key);
  if (!row || !wasOvertaken(row)) {
    return absent("This is not refused any more.", "/outbox");
  }
  const outbox = () => go("/outbox");
  const give_up = taking(row, "Give mine up", "Give mine up for good", withdraw, outbox);
  const mine = [h("h2", {}, "What you want to record"), h("p", { class: "mine" }, row.words)];
  let pack;
  try {
    pack = await loadDay();
  } catch (error) {
    const words = error.reason === "line" ? "There is no signal. What you did is kept. Look again when there is." : error.message;
    return screen([box("wait", "Not looked at yet", h("p", {}, words)), mine, give_up], [button("Look again", redraw, { kind: "first" })]);
  }
  const there = thingIn(pack, row.thing);
  if (!there) {
    return screen([
      box("stop", "It is not part of your day any more", h("p", {}, "Call the office before you do more here. What you did is kept until you give it up.")),
      mine, give_up,
    ], [link("Outbox", "/outbox", { kind: "first" })]);
  }
  const { etag, lines } = there;
  const sides = compared(row.seen, lines);
  await saw(key, { etag, seen: lines });
  const send = async () => {
    await repair(key);
    say("Sent again.");
    outbox();
  };
  const to = screenOf({ ...now, pack }, row);
  return screen([
    h("p", {}, "Somebody changed this after you had seen it, so the register did not take yours."),
    sides.some((side) => side.changed) ? null : box("note", "What changed is not on this phone", h("p", {}, "All that it knows of this is as it was. Ask the office if in doubt.")),
    h("ul", { class: "sides" }, sides.filter((side) => side.changed).map(differing)),
    mine,
    h("details", {}, h("summary", {}, "All of it"), h("dl", { class: "facts" }, sides.map(({ term, now: words }) => [h("dt", {}, term), h("dd", {}, words)]))),
    to ? link("Change mine first", to) : null,
    give_up,
  ], [button("Send mine all the same", send)]);
}

function screen(body, foot) {
  // A form: it stays as it was read until somebody chooses.
  return { title: "What changed", back: "/outbox", form: true, body, foot };
}

function differing({ term, then, now }) {
  return h("li", {}, h("span", { class: "term" }, term),
    h("span", {}, h("span", { class: "when" }, "You saw: "), h("s", {}, then)),
    h("span", {}, h("span", { class: "when" }, "Now: "), h("strong", {}, now)));
}
