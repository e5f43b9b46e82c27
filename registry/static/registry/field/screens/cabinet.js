// One cabinet: what it holds, and the steps of the visit to it in their order.

import { box, h, icon } from "../elements.js";
import { isBegun, modelOf, needsCheck, stepsOf } from "../state.js";
import { splitWords } from "../things.js";
import { front } from "./front_picture.js";

const WORDS = {
  open: ["open", "To do"], waiting: ["wait", "Kept, not sent yet"], refused: ["stop", "Refused: repair it"],
  done: ["done", "Done"], failed: ["stop", "Failed"],
};

/** The screen of a cabinet. */
export function cabinet(now, { visit, cabinet: there, work, steps, at }) {
  const model = modelOf(now.pack, there);
  const serial = work.serial ?? steps.place?.serial;
  const drafted = steps.mounting === "open" && work.facts.cover_closed_at ? "kept" : steps.mounting;
  const every = [
    ["cautions", "Cautions", steps.cautions, ""],
    ["survey", "Survey", steps.survey, ""],
    ["split", "How products share the front", steps.split, ""],
    ["label", "Device label", steps.label, serial ?? ""],
    ["mounting", "Mounting checklist", drafted, ""],
    ["assign", "Assign the device", steps.assign, ""],
    ["remove", "Take the device out", steps.remove, steps.place?.serial ?? "no device hangs here"],
    ["readings", visit.kind === "inspect" ? "Readings and check" : "First readings and sign-off", checkState(visit, steps), ""],
    ["photos", "Photos", steps.photos ? "done" : "open", steps.photos ? String(steps.photos) : "as evidence"],
  ];
  const list = stepsOf(visit).map((name) => every.find(([step]) => step === name));
  const begun = isBegun(now, visit);
  const first = (states) => list.find(([, , state]) => states.includes(state));
  const next = first(["refused", "failed"]) ?? first(["open", "unsigned"]);
  const shares = shown(now, there);
  return {
    title: there.asset_tag,
    back: `/visit/${visit.id}`,
    body: [
      h("p", { class: "kind" }, [model.name, there.position].filter(Boolean).join(", ")),
      front(shares, now.pack.products, model),
      h("p", { class: "caption" }, shares.length ? splitWords(shares, now.pack.products) : "Nobody has recorded how products share it."),
      needsCheck(visit) && steps.place && !work.serial && !steps.place.row ? box("note", `Device ${steps.place.serial} hangs here already`, h("p", {}, "Record another one only if two shall hang here; for a swap, call the office.")) : null,
      h("ol", { class: "steps-list" }, list.map((step, index) => line(step, index, at))),
    ],
    foot: !begun && steps.cautions === "done" ? [h("a", { class: "button first", href: `#/visit/${visit.id}` }, "Begin the visit first")] : next ? [h("a", { class: "button first", href: `#${at}/${next[0]}` }, `Next: ${next[1]}`)] : [h("a", { class: "button first", href: `#/visit/${visit.id}` }, "Back to the visit")],
  };
}

/** Return how the check stands: of an inspection nobody signs anything off. */
function checkState(visit, steps) {
  if (visit.kind === "inspect") {
    return steps.place ? steps.check_state : "done";
  }
  return steps.sign_off === "done" ? "done" : steps.check_state === "done" ? "unsigned" : steps.check_state;
}

function line([path, title, state, more], index, at) {
  const [drawing, words] = { kept: ["wait", "Filled in, recorded when assigned"], unsigned: ["wait", "Passed, sign it off"] }[state] ?? WORDS[state];
  return h("li", {},
    h("a", { href: `#${at}/${path}`, class: `step step-${state}` },
      icon(drawing),
      h("span", { class: "step-words" }, h("strong", {}, `${index + 1}. ${title}`), h("span", {}, [words, more].filter(Boolean).join(": ")))));
}

/** Return the shares of a cabinet as the phone knows them: what waits in the outbox goes before the pack. */
export function shown(now, there) {
  const row = now.rows.findLast((entry) => entry.path === `/api/v1/cabinets/${there.id}/split/`);
  return (row?.body.shares ?? there.split ?? []).map((share) => ({ product: share.product, share: Number(share.share) }));
}
