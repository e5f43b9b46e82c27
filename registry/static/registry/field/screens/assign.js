// Assigning: everything that will be recorded, once more, and one button.

import { now as clock } from "../clock.js";
import { box, button, h, link, say } from "../elements.js";
import { submit } from "../state.js";
import { recordMounting } from "./mounting.js";

/** The screen of the assignment. */
export function assign(now, place, { go }) {
  const { visit, cabinet, work, steps, at } = place;
  const row = steps.place?.row ?? null;
  const refused = row?.state === "refused" ? row : null;
  const closed = work.facts.cover_closed_at;
  if (!work.serial) {
    return {
      title: "Assign the device", back: at,
      body: [box("stop", "No serial was taken", h("p", {}, "Take the serial off the label first."))],
      foot: [link("Take the serial", `${at}/label`, { kind: "first" })],
    };
  }
  const record = async () => {
    const wish = wishOf({ now, visit, cabinet, work, valid_from: refused?.body.valid_from ?? clock() });
    const { words } = wish;
    // A wrong serial may turn out to be one that nobody booked in: then it goes to another address.
    const key = await submit({ ...wish, replaces: refused?.key, same: () => false });
    if (Object.keys(work.facts).length && ["open", "refused"].includes(steps.mounting)) {
      await recordMounting(place, key);
    }
    say(`${words}.`);
    go(`${at}/readings`);
  };
  return {
    title: "Assign the device",
    back: at,
    body: [
      refused ? refusal(refused, at) : null,
      h("dl", { class: "facts large" },
        h("dt", {}, "Device"), h("dd", { class: "serial-shown" }, work.serial),
        h("dt", {}, "Into"), h("dd", {}, cabinet.asset_tag),
        h("dt", {}, "At"), h("dd", {}, visit.location.name),
        visit.kind === "swap" && (cabinet.assignments ?? []).length ? [h("dt", {}, "In place of"), h("dd", {}, `${cabinet.assignments.at(-1).serial}, which goes into your van`)] : null),
      work.found ? box("note", "Nobody booked this device in", h("p", {}, "It is recorded as found. The office confirms it.")) : null,
      closed || row ? null : box("note", "The mounting is not recorded", h("p", {}, "Fill in the checklist before you assign; the cover is part of it."), link("Mounting checklist", `${at}/mounting`)),
      row && !refused ? box(row.state === "done" ? "done" : "wait", row.state === "done" ? "Assigned" : "Kept on this phone, not sent yet") : null,
    ],
    foot: row && !refused
      ? [link("First readings", `${at}/readings`, { kind: "first" })]
      : [button(refused ? "Send it again" : "Assign it now", record, { kind: "first" })],
  };
}

/** Return what is sent: an assignment, a swap, or a device that nobody booked in. */
function wishOf({ now, visit, cabinet, work, valid_from }) {
  const into = `${work.serial} into ${cabinet.asset_tag}`;
  const old = visit.kind === "swap" ? (cabinet.assignments ?? []).at(-1) : null;
  if (work.found) {
    const body = { id: work.device, assignment: work.assignment, serial: work.serial, cabinet: cabinet.id, valid_from, model: work.found.model, evidence: "Label read at the cabinet" };
    return { path: "/api/v1/devices/provisional/", body, words: `${into}, recorded as found` };
  }
  if (old) {
    const body = { id: work.assignment, serial: work.serial, valid_from, staff: now.pack.person.id };
    const words = `${into} in place of ${old.serial}, which is in your van`;
    return { path: `/api/v1/assignments/${old.id}/swap/`, body, words, thing: old.id, etag: old.etag, makes: work.assignment };
  }
  return { path: "/api/v1/assignments/", body: { id: work.assignment, serial: work.serial, cabinet: cabinet.id, valid_from }, words: into };
}

function refusal(row, at) {
  return box("stop", "The register refused this", h("p", {}, row.problem.detail), link("Take another serial", `${at}/label`), link("See the outbox", "/outbox"));
}
