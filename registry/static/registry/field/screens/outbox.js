// The outbox: what waits, what was refused and how it is repaired, and what was sent.

import { behind_s } from "../clock.js";
import { box, button, h, icon, link, say } from "../elements.js";
import { buildingOn, repair, send, undo, withdraw } from "../queue.js";
import { cabinetOf, count, visitsOf, wasOvertaken } from "../state.js";

const SENT_SHOWN = 10;

/** The screen of the outbox. */
export async function outbox(now, { redraw }) {
  const refused = now.rows.filter((row) => row.state === "refused");
  const waiting = now.rows.filter((row) => row.state === "waiting" || row.state === "sending");
  const sent = now.rows.filter((row) => row.state === "done").slice(-SENT_SHOWN).reverse();
  const off = behind_s();
  return {
    title: "Outbox",
    back: "/today",
    body: [
      now.open.length ? null : box("done", "Everything is sent"),
      off ? box("note", `This phone's clock is ${Math.abs(Math.round(off / 60)) || 1} min ${off > 0 ? "slow" : "fast"}`, h("p", {}, "The register puts the times right. Set the clock when you can.")) : null,
      refused.length ? [h("h2", {}, "Refused"), h("ul", { class: "rows" }, refused.map((row) => refusedRow(now, row, redraw)))] : null,
      waiting.length ? [h("h2", {}, "Not sent yet"), h("ul", { class: "rows" }, waiting.map((row) => waitingRow(now, row, redraw)))] : null,
      sent.length ? [h("h2", {}, "Sent"), h("ul", { class: "rows sent" }, sent.map((row) => h("li", { class: "row" }, icon("done"), h("span", {}, row.words, h("small", {}, `Done ${time(row.done_at)}`)))))] : null,
    ],
    foot: waiting.length ? [button("Send now", async () => { await send(); redraw(); }, { kind: "first" })] : [],
  };
}

const time = (text) => new Date(text).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

function waitingRow(now, row, redraw) {
  const held = row.heldBy ? now.rows.find((other) => other.key === row.heldBy) : null;
  const words = held ? `Waits until this is repaired: ${held.words}` : row.state === "sending" ? "Being sent" : row.canUndo ? "Waits for signal" : "May have arrived; it is asked again";
  return h("li", { class: "row" }, icon("wait"),
    h("div", {}, h("strong", {}, row.words), h("p", {}, `Done ${time(row.done_at)}. ${words}.`),
      row.canUndo ? taking(row, "Undo", "Undo this", undo, redraw) : null));
}

function refusedRow(now, row, redraw) {
  const wrong = h("p", { class: "wrong", role: "alert" });
  const again = async () => {
    try {
      await repair(row.key);
      say("Sent again.");
    } catch (error) {
      wrong.textContent = error.message;
    }
    redraw();
  };
  const overtaken = wasOvertaken(row);
  const to = overtaken ? `/changed/${row.key}` : screenOf(now, row);
  return h("li", { class: "row" }, icon("stop"),
    h("div", {}, h("strong", {}, row.words),
      h("p", { class: "why" }, row.problem?.detail ?? "The register gave no reason."),
      wrong,
      row.problem?.suggestions?.length ? h("p", {}, `Did you mean: ${row.problem.suggestions.join(", ")}?`) : null,
      to ? link(overtaken ? "See what changed" : "Repair it", to, { kind: "first" }) : null,
      overtaken ? null : button("Send it again as it is", again),
      taking(row, "Give it up", "Give this up for good", withdraw, redraw)));
}

/** Return the screen on which what was refused can be put right. */
export function screenOf(now, row) {
  const { path, body } = row;
  const step = path.endsWith("/split/") ? "split" : path.endsWith("/assignments/") || path.endsWith("/provisional/") ? "label"
    : path.endsWith("/mountings/") ? "mounting" : path.endsWith("/acceptance/") || path.endsWith("/sign-off/") ? "readings"
    : path.endsWith("/acknowledge/") ? "cautions" : null;
  const key = body.cabinet ?? row.thing ?? now.rows.find((other) => [other.body.id, other.body.assignment].includes(body.assignment) && other.body.cabinet)?.body.cabinet;
  const visit = step && visitsOf(now.pack).find((other) => cabinetOf(other, key));
  return visit ? `/visit/${visit.id}/cabinet/${key}/${step}` : null;
}

/** A place with a button that takes an entry out, after it said what goes with it. */
export function taking(row, words, sure, act, redraw) {
  const place = h("div", { class: "taking" });
  const ask = async () => {
    const above = await buildingOn(row.key);
    const confirm = button(sure, async () => {
      try {
        const gone = await act(row.key, { withWhatBuildsOnIt: true });
        say(`${count(gone.length, "change")} taken out.`);
        redraw();
      } catch (error) {
        place.replaceChildren(h("p", { class: "wrong", role: "alert" }, error.message));
      }
    }, { kind: "grave" });
    place.replaceChildren(
      above.length ? h("p", {}, `With it goes: ${above.map((other) => other.words).join("; ")}.`) : "",
      confirm, button("Keep it", redraw));
    confirm.focus();
  };
  place.append(button(words, ask, { id: `take-${row.key}`, "aria-label": `${words}: ${row.words}` }));
  return place;
}
