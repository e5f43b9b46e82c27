// How the day stands: the pack, the outbox, and what each cabinet still needs.

import { entries, enqueue, repair } from "./queue.js";
import { standing } from "./sending.js";
import { draft, fact, pack, saveDraft } from "./store.js";
import { thingIn } from "./things.js";

/** Kinds of visits after which a device hangs that must have been checked. */
const CHECKED = new Set(["install", "swap", "unplanned"]);
/** Which steps a cabinet has in a visit of each kind, in their order; the others have those of an install. */
const STEPS = {
  survey: ["cautions", "survey", "photos"],
  inspect: ["cautions", "readings", "split", "photos"],
  remove: ["cautions", "remove", "photos"],
};
const INSTALL_STEPS = ["cautions", "split", "label", "mounting", "assign", "readings", "photos"];

/** Return the steps of a cabinet in a visit. */
export const stepsOf = (visit) => STEPS[visit.kind] ?? INSTALL_STEPS;

/**
 * Return the pack, the outbox in order, and whether there is a line to the register. Where the pack is
 * another person's than who signed in, it is null, and `another` is their name.
 */
export async function look() {
  const [kept, rows] = [await pack(), await entries()];
  const sending = standing();
  const offline = !navigator.onLine || sending.line === "gone";
  const person = await fact("person");
  // A phone goes from hand to hand: another's day is not worked on in one's own name.
  const others = kept && person && kept.person.id !== person.id;
  return { pack: others ? null : kept, another: others ? kept.person.name : null, rows, sending, offline, open: rows.filter((row) => row.state !== "done") };
}

/** Return the visits of a pack; stores that were taken along without a visit stand among them. */
export function visitsOf(kept) {
  const unplanned = (kept?.stores ?? []).map((store) => ({
    id: `store-${store.location.id}`, kind: "unplanned", state: "begun", note: "", planned_on: kept.day, ...store,
  }));
  return [...(kept?.visits ?? []), ...unplanned];
}

/** Return a visit of the pack by its key, or undefined. */
export const visitOf = (kept, key) => visitsOf(kept).find((visit) => visit.id === key);

/** Return a cabinet of a visit by its key, or undefined. */
export const cabinetOf = (visit, key) => visit?.cabinets.find((cabinet) => cabinet.id === key);

/** Return the model of a cabinet, or an empty one: all of it unknown. */
export function modelOf(kept, cabinet) {
  return kept.cabinet_models.find((model) => model.id === cabinet.model) ?? { name: "Model unknown", sensor_count: null };
}

/** Say whether a visit ends with a device that must have passed its check. */
export const needsCheck = (visit) => CHECKED.has(visit.kind);

/** Return what was filled in for a cabinet so far; its keys are made once, so that nothing is done twice. */
export async function workOf(visit, cabinet) {
  const name = `work:${visit.id}:${cabinet.id}`;
  const kept = await draft(name);
  if (kept) {
    return kept;
  }
  const fresh = {
    name, assignment: crypto.randomUUID(), mounting: crypto.randomUUID(), device: crypto.randomUUID(),
    serial: null, taken_at: null, how: null, found: null, facts: {}, tape_mm: [], checked: false,
  };
  await saveDraft(name, fresh);
  return fresh;
}

/** Keep what was filled in. */
export const keep = (work) => saveDraft(work.name, work);

/** Return the newest entry of the outbox that a test chooses, or null. */
const newest = (rows, test) => rows.filter(test).at(-1) ?? null;

/** Return the entry that acknowledged the cautions of a cabinet, or null. */
export function acknowledgement(rows, visit, cabinet) {
  return newest(rows, (row) => row.path === `/api/v1/visits/${visit.id}/acknowledge/` && row.body.cabinet === cabinet.id);
}

/** Return the assignment of a cabinet that is worked on: {id, serial, row}, or null where none is made. */
export function assignmentOf(rows, visit, cabinet, work) {
  const row = newest(
    rows,
    (entry) => entry.body.id === work.assignment || entry.body.assignment === work.assignment && entry.body.serial,
  );
  if (row) {
    return { id: work.assignment, serial: row.body.serial, row };
  }
  const known = (cabinet.assignments ?? []).findLast((other) => visit.kind !== "swap" || other.id === work.assignment);
  return known ? { id: known.id, serial: known.serial, etag: known.etag, row: null } : null;
}

/** Return how each step of a cabinet stands: "open", "waiting", "refused", "done" or "failed". */
export function progress(look, visit, cabinet, work) {
  const { rows } = look;
  const told = (row, known) => (row ? { waiting: "waiting", sending: "waiting" }[row.state] ?? row.state : known ? "done" : "open");
  const place = assignmentOf(rows, visit, cabinet, work);
  const check = place && newest(rows, (row) => row.path === `/api/v1/assignments/${place.id}/acceptance/`);
  const sign = check && newest(rows, (row) => row.path === `/api/v1/acceptance/${check.body.id}/sign-off/`);
  const failed = check?.state === "done" && check.answer.result === "fail";
  const cautions = cabinet.cautions ?? [];
  const mounted = newest(rows, (row) => row.makes === work.mounting);
  const surveyed = newest(rows, (row) => row.path === "/api/v1/surveys/" && row.body.cabinet === cabinet.id && row.body.visit === visit.id);
  const removed = place && newest(rows, (row) => row.path === `/api/v1/assignments/${place.id}/end/`);
  return {
    place,
    check,
    sign,
    surveyed,
    survey: told(surveyed, cabinet.surveyed),
    removed,
    remove: place ? told(removed, false) : "done",
    cautions: cautions.length ? told(acknowledgement(rows, visit, cabinet), cabinet.acknowledged_at) : "done",
    split: told(newest(rows, (row) => row.path === `/api/v1/cabinets/${cabinet.id}/split/`), cabinet.split?.length),
    label: work.serial || place ? "done" : "open",
    mounting: told(mounted, false),
    mounted,
    assign: place ? told(place.row, true) : "open",
    check_state: failed ? "failed" : told(check, false),
    sign_off: told(sign, false),
    photos: rows.filter((row) => row.photo && [place?.id, cabinet.id].some((key) => key && [row.body.assignment, row.body.cabinet].includes(key))).length,
  };
}

/** Return the entry of a visit's step (begin, finish) that was not refused, or undefined. */
const sentOf = (now, visit, name) =>
  now.rows.find((row) => row.path === `/api/v1/visits/${visit.id}/${name}/` && row.state !== "refused");

/** Say whether a visit was begun, on this phone or before. */
export const isBegun = (now, visit) => ["begun", "done"].includes(visit.state) || Boolean(sentOf(now, visit, "begin"));

/** Say whether a visit is over. */
export const isEnded = (now, visit) => visit.state === "done" || Boolean(sentOf(now, visit, "finish"));

/** Return the first cabinet of a visit whose cautions nobody acknowledged, or undefined. */
export const unread = (now, visit) =>
  visit.cabinets.find((cabinet) => {
    const row = acknowledgement(now.rows, visit, cabinet);
    return (cabinet.cautions ?? []).length && !(row ? row.state !== "refused" : cabinet.acknowledged_at);
  });

/**
 * Return why nobody may leave a visit yet, gravest first; an empty list: one may leave.
 * Each is {words, to}: plain words, and the screen on which it is mended.
 */
export async function reasonsToStay(now, visit) {
  const reasons = [];
  const place = (cabinet) => `/visit/${visit.id}/cabinet/${cabinet.id}`;
  for (const cabinet of visit.cabinets) {
    const work = await workOf(visit, cabinet);
    const steps = progress(now, visit, cabinet, work);
    const add = (words, to) => reasons.push({ words: `${cabinet.asset_tag}: ${words}`, to: place(cabinet) + to });
    if (!needsCheck(visit)) {
      reasons.push(...otherReasons(visit, cabinet, steps, place(cabinet)));
      continue;
    }
    if (steps.place?.row && !["done", "waiting"].includes(steps.mounting)) {
      add("the mounting is not recorded.", "/mounting");
    } else if (steps.mounted?.answer?.fails) {
      add("something of the mounting must be mended.", "/mounting");
    }
    if (steps.assign === "refused") {
      add("the assignment was refused.", "/assign");
    } else if (steps.assign === "open") {
      if (visit.kind !== "unplanned" || work.serial) {
        add("no device is assigned.", work.serial ? "/assign" : "/label");
      }
    } else if (visit.kind === "unplanned" && !steps.place.row) {
      continue;
    } else if (steps.check_state === "failed") {
      add("the check failed.", "/readings");
    } else if (steps.check_state !== "done") {
      add(steps.check_state === "waiting" ? "the check is not sent yet." : "not yet checked.", "/readings");
    } else if (steps.sign_off !== "done") {
      add("the check passed, but nobody signed it off.", "/readings");
    }
  }
  const refused = now.rows.filter((row) => row.state === "refused").length;
  const waiting = now.open.length - refused;
  if (refused) {
    reasons.unshift({ words: `The register refused ${count(refused, "change")}.`, to: "/outbox" });
  }
  if (waiting) {
    reasons.push({ words: `${count(waiting, "change")} not sent yet.`, to: "/outbox" });
  }
  return reasons;
}

/** Return why nobody may leave yet where no device was put up: what the kind of the visit asks for. */
function otherReasons(visit, { asset_tag }, steps, at) {
  const inspected = steps.place && steps.check_state !== "done";
  const words = {
    survey: ["open", "refused"].includes(steps.survey) && ["it is not surveyed.", "/survey"],
    remove: ["open", "refused"].includes(steps.remove) && [`${steps.place?.serial} still hangs there by the register.`, "/remove"],
    inspect: inspected && [steps.check_state === "failed" ? "the check failed." : steps.check_state === "waiting" ? "the check is not sent yet." : "not yet checked.", "/readings"],
  }[visit.kind];
  return words ? [{ words: `${asset_tag}: ${words[0]}`, to: at + words[1] }] : [];
}

/** Return a number with its noun: "1 change", "2 changes". */
export const count = (number, noun) => `${number} ${noun}${number === 1 ? "" : "s"}`;

/**
 * Put a change into the outbox, and return its key; where the same one was refused, this takes its place.
 *
 * `same` tells the refused one by its row; unless told, it is the one at the same address. `replaces` names
 * it by its key, where the address changes too.
 */
export async function submit({ same = () => true, replaces = null, ...wish }) {
  const rows = await entries();
  const isOld = (row) => row.state === "refused" && (replaces ? row.key === replaces : row.path === wish.path && same(row));
  const old = rows.findLast(isOld);
  const dependsOn = [wish.dependsOn ?? []].flat().filter((key) => rows.some((row) => row.key === key));
  const seen = wish.thing ? (thingIn(await pack(), wish.thing)?.lines ?? null) : null;
  if (!old) {
    return enqueue({ ...wish, dependsOn, seen });
  }
  const { path, body, words } = wish;
  if (wasOvertaken(old)) {
    return repair(old.key, { path, body, words, dependsOn });
  }
  return repair(old.key, { path, body, words, dependsOn, seen, etag: wish.etag ?? old.etag });
}

/**
 * Say whether an entry was refused because somebody changed its thing meanwhile. It is sent again under the
 * tag of what was looked at (`saw` of the outbox), never under that of a pack that happens to be newer.
 */
export const wasOvertaken = (row) => row.state === "refused" && row.problem?.code === "changed_meanwhile";
