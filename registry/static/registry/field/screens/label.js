// The device's label: scanned or typed, and at once what it is and whether it can go here.

import { now as clock } from "../clock.js";
import { box, button, field, h, icon, say } from "../elements.js";
import { labelReader } from "../label_reader.js";
import { judge } from "../serials.js";
import { keep, modelOf } from "../state.js";

/** The screen of the label. */
export function label(now, { visit, cabinet, work, steps, at }, { go }) {
  const closed = Boolean(work.facts.cover_closed_at);
  const assigned = steps.place?.row && steps.place.row.state !== "refused";
  const refused = steps.place?.row?.state === "refused" ? steps.place.row : null;

  const take = async (serial, how, found) => {
    await keep({ ...work, serial, how, found, taken_at: clock() });
    say(`Serial ${serial} taken.`);
    go(at);
  };
  const judged = (text, how) => verdictOf({ text, how, now, cabinet, kind: visit.kind, take, retry: reader.retry });
  const reader = labelReader(judged, { value: work.serial ?? "" });
  if (work.serial) {
    reader.look(work.serial, work.how);
  }
  return {
    title: "Device label",
    back: at,
    form: true,
    leave: reader.stop,
    body: [
      refused ? box("stop", "The register refused the assignment", h("p", {}, refused.problem.detail), h("p", {}, "If the serial is wrong, take it anew here; then assign it again.")) : null,
      closed && !work.serial ? box("stop", "The cover is closed, and no serial was taken", h("p", {}, "Open the cover again and read the serial off the label.")) : null,
      assigned ? box("note", `${steps.place.serial} is assigned already`, h("p", {}, "To take another one, undo the assignment in the outbox, or call the office.")) : null,
      h("p", {}, "Take the serial before you close the cover."),
      assigned ? null : [...reader.parts, reader.told],
    ],
    foot: [],
    visit,
  };
}

const TITLES = { ok: "This is a device of yours", unknown: "Not in the day on this phone", ambiguous: "Not in the day on this phone", wrong: "This is not a serial" };

/** Return what a label is, and what can be done with it. */
function verdictOf({ text, how, now, cabinet, kind, take, retry }) {
  const judged = judge(text, now.pack);
  const near = judged.suggestions.length
    ? h("div", { class: "near" }, h("p", {}, "Did you mean:"), judged.suggestions.map((device) => button(device.serial, () => retry(device.serial), { kind: "serial" })))
    : null;
  if (judged.state === "wrong") {
    return box("stop", TITLES.wrong, h("p", {}, judged.words), near);
  }
  const serial = h("p", { class: "serial-shown" }, judged.serial);
  if (judged.state !== "ok") {
    const model = judged.models[0];
    const found = { model: judged.models.length === 1 ? model.id : null };
    const chosen = judged.models.length > 1
      ? field("Which model is it", h("select", { onchange: (event) => { found.model = event.target.value || null; } },
          h("option", { value: "" }, "Choose"), judged.models.map((other) => h("option", { value: other.id }, other.name))))
      : null;
    const wrong = h("p", { class: "wrong", role: "alert" });
    const record = () => {
      if (!found.model) {
        wrong.textContent = "Choose the model that stands on the label.";
        return;
      }
      take(judged.serial, how, found);
    };
    return box("note", TITLES[judged.state], serial, h("p", {}, judged.words), near, chosen, wrong,
      button("The label says so: record it as found", record, {}));
  }
  const model = judged.models.find((other) => other.id === judged.device.device_model) ?? judged.models[0];
  const [fits, words] = fit(model, cabinet, now.pack, kind);
  return box(fits ? "done" : "note", TITLES.ok, serial, h("p", {}, judged.words),
    h("p", { class: "fits" }, icon(fits ? "done" : "note"), ` ${words}`),
    button("Take this serial", () => take(judged.serial, how, null), { kind: "first" }));
}

/** Say whether a device can go into a cabinet, by what the day pack knows. */
function fit(model, cabinet, pack, kind) {
  const inside = modelOf(pack, cabinet);
  if (inside.sensor_count && model.sensor_count && inside.sensor_count !== model.sensor_count) {
    return [false, `It has ${model.sensor_count} sensors; ${cabinet.asset_tag} takes ${inside.sensor_count}. Ask the office before you hang it.`];
  }
  if ((cabinet.assignments ?? []).length && kind !== "swap") {
    return [false, `${cabinet.assignments.at(-1).serial} hangs in ${cabinet.asset_tag} already.`];
  }
  return [true, `It can go into ${cabinet.asset_tag}.`];
}
