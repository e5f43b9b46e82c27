// What a typed or scanned label is, told without the register: by the day pack's schemes and devices.

import { Refused } from "./refusals.js";
import { readScan } from "./scans.js";
import { accept, normalise } from "./schemes.js";
import { nearest } from "./suggestions.js";

export { accept, normalise, nearest, readScan };

const SUGGESTIONS_MAX = 5;

/**
 * Say what a label is: {state, serial, device, models, words, suggestions, scan, problem}.
 *
 * `state` is "ok": a device of the pack, which can be assigned; "unknown": a right serial of one model, but
 * no device of the pack, so perhaps nobody booked it in; "ambiguous": the same, and several models have
 * such serials; "wrong": no serial of any model. `suggestions` are devices of the pack that may be meant.
 */
export function judge(typed, pack) {
  let scan;
  try {
    scan = readScan(typed);
  } catch (error) {
    return wrong(error, null);
  }
  if (scan.kind !== "serial" && scan.kind !== "gtin") {
    const told = `This is a ${scan.kind.toUpperCase()}, not a device's serial. Scan the label of the device.`;
    return wrong(new Refused("serial_invalid", told, { problem: "wrong_kind" }), scan);
  }
  const text = scan.serial || scan.value;
  const models = [];
  let serial = null;
  let refusal = null;
  for (const model of pack.device_models) {
    try {
      serial = accept(model.serial, text);
      models.push(model);
    } catch (error) {
      if (!(error instanceof Refused)) {
        throw error;
      }
      // The scheme that the serial begins like tells more than one that begins otherwise.
      if (!refusal || refusal.details.problem === "wrong_prefix") {
        refusal = error;
      }
    }
  }
  const suggestions = near(text, pack);
  if (!models.length) {
    return wrong(refusal ?? new Refused("not_found", "The day pack knows no device model. Load it anew."), scan, suggestions);
  }
  const device = pack.devices.find((other) => other.serial === serial) ?? null;
  const found = { serial, device, models, scan, problem: null };
  if (device) {
    const model = models.find((other) => other.id === device.device_model) ?? models[0];
    return { ...found, state: "ok", words: `${model.name} ${serial}: ${device.place}.`, suggestions: [] };
  }
  const kinds = models.map((model) => model.name).join(" or ");
  const words =
    `${serial} is a right serial of ${kinds}, but no device of that serial is in the day pack. Compare it with the` +
    " label. If the label says so, nobody has booked it in, or it is somebody else's: record it as found.";
  return { ...found, state: models.length > 1 ? "ambiguous" : "unknown", words, suggestions };
}

function wrong(error, scan, suggestions = []) {
  if (!(error instanceof Refused)) {
    throw error;
  }
  const problem = error.details.problem ?? error.code;
  return { state: "wrong", serial: null, device: null, models: [], words: error.message, suggestions, scan, problem };
}

/** Return devices of the pack one slip away, likeliest first. */
function near(text, pack) {
  const devices = new Map(pack.devices.map((device) => [device.serial, device]));
  const assignable = new Set(devices.keys());
  const found = new Set();
  for (const model of pack.device_models) {
    try {
      for (const { serial } of nearest(text, model.serial, assignable, SUGGESTIONS_MAX)) {
        found.add(serial);
      }
    } catch (error) {
      if (!(error instanceof Refused)) {
        throw error;
      }
    }
  }
  return [...found].slice(0, SUGGESTIONS_MAX).map((serial) => devices.get(serial));
}
