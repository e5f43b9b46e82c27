// Which screen stands at which address of the page.

import { absent } from "../frame.js";
import { cabinetOf, isBegun, progress, visitOf, workOf } from "../state.js";
import { assign } from "./assign.js";
import { cabinet } from "./cabinet.js";
import { changed } from "./changed.js";
import { cautions } from "./cautions.js";
import { day } from "./load_day.js";
import { finish } from "./finish.js";
import { kit } from "./kit.js";
import { label } from "./label.js";
import { mounting } from "./mounting.js";
import { outbox } from "./outbox.js";
import { photos } from "./photos.js";
import { readings } from "./readings.js";
import { split } from "./split.js";
import { survey } from "./survey.js";
import { takeOut } from "./take_out.js";
import { today } from "./today.js";
import { visit } from "./visit.js";

const OF_CABINET = { "": cabinet, cautions, survey, split, label, mounting, assign, readings, remove: takeOut, photos };
/** Steps that nobody reaches before the visit was begun and the cautions were acknowledged. */
const AFTER_CAUTIONS = new Set(["split", "label", "mounting", "assign", "readings", "survey", "remove"]);

/** Return the screen of an address: {title, back, body, foot, form, changed, leave}. */
export async function screenAt(address, now, tools) {
  const [noun, key, deeper, part, step = ""] = address.split("/").slice(1);
  if (noun === "outbox") {
    return outbox(now, tools);
  }
  if (noun === "changed") {
    return changed(now, key, tools);
  }
  if (!now.pack || noun === "day") {
    return day(now, tools);
  }
  if (noun === "kit") {
    return kit(now);
  }
  if (noun !== "visit") {
    return today(now, tools);
  }
  const there = visitOf(now.pack, key);
  if (!there) {
    return absent("This visit is not on this phone. Load the day anew.", "/today");
  }
  if (deeper === "finish") {
    return finish(now, there, tools);
  }
  if (deeper !== "cabinet" || (AFTER_CAUTIONS.has(step) && !isBegun(now, there))) {
    return visit(now, there, tools);
  }
  const box = cabinetOf(there, part);
  if (!box || !(step in OF_CABINET)) {
    return absent("This cabinet is not part of the visit on this phone. Load the day anew.", `/visit/${key}`);
  }
  const work = await workOf(there, box);
  const steps = progress(now, there, box, work);
  const held = AFTER_CAUTIONS.has(step) && ["open", "refused"].includes(steps.cautions);
  const place = { visit: there, cabinet: box, work, steps, at: `/visit/${key}/cabinet/${part}` };
  return OF_CABINET[held ? "cautions" : step](now, place, tools);
}
