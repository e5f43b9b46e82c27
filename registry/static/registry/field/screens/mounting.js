// The checklist of the mounting. The serial is taken before the cover is closed: there is no other way.

import { now as clock } from "../clock.js";
import { answers, box, button, field, h, icon, link, say } from "../elements.js";
import { keep, modelOf, submit } from "../state.js";

const YES_NO = [[true, "Yes"], [false, "No"]];
const EXITS = [["existing_hole", "Existing hole"], ["drilled_back", "Drilled, back"], ["drilled_side", "Drilled, side"], ["drilled_top", "Drilled, top"], ["door_seal", "Past the door seal"], ["none", "No cable leaves"]];
const HOLES = new Set(["existing_hole", "drilled_back", "drilled_side", "drilled_top"]);
/** Common practice, no source; the office's own goes before it. */
const PRACTICE = { rail_behind_front: [102, 152], headroom_cleared: [305, null], exit_below_ceiling: [13, 38], hole: [26, 32] };

/** The screen of the checklist. */
export function mounting(now, place, tools) {
  const { cabinet, work, steps, at } = place;
  const facts = { ...work.facts };
  const set = async (name, value) => {
    facts[name] = value;
    work.facts = facts;
    await keep(work);
  };
  const parts = {};
  const redraw = (name) => parts[name].replaceChildren(...SECTIONS[name]({ facts, set, redraw, now, cabinet, work, at, tools }).flat(Infinity).filter(Boolean));
  for (const name of Object.keys(SECTIONS)) {
    parts[name] = h("section", { class: `part part-${name}` });
    redraw(name);
  }
  const recorded = ["done", "waiting"].includes(steps.mounting);
  const refused = now.rows.findLast((row) => row.body.id === work.mounting && row.state === "refused");
  const assigned = steps.place?.row && steps.place.row.state !== "refused";
  const why = noDrilling(modelOf(now.pack, cabinet));
  let asIs = false;
  const record = async () => {
    const [hard, soft] = [must(facts, work, why), should(facts)];
    if (hard.length || (soft.length && !asIs)) {
      asIs = !hard.length;
      parts.told.replaceChildren(box("stop", hard.length ? "Not complete" : "To be mended before you leave",
        h("ul", {}, [...hard, ...soft].map((words) => h("li", {}, words))),
        hard.length ? null : h("p", {}, "Press again to record it as it is. The page goes on telling you not to leave.")));
      say(`${hard.length ? "Not complete" : "To be mended"}. ${[...hard, ...soft][0]}`, { urgent: true });
      parts.told.scrollIntoView({ block: "center" });
      return;
    }
    if (recorded) {
      await correctMounting(place, facts);
    } else if (assigned) {
      await recordMounting(place, steps.place.row.key);
    }
    tools.go(assigned ? at : `${at}/assign`);
  };
  return {
    title: "Mounting checklist",
    back: at,
    form: true,
    body: [
      refused ? box("stop", "The register refused this", h("p", {}, refused.problem.detail)) : null,
      recorded ? h("p", { class: "state-line" }, icon("done"), " Recorded. What you change is recorded as a correction.") : null,
      findingsOf(steps.mounted),
      Object.values(parts),
      (parts.told = h("div", {})),
    ],
    foot: [button(recorded ? "Record the changes" : assigned ? "Record the mounting" : "Go on to assign", record, { kind: "first" })],
  };
}

/** Put the mounting of an assignment into the outbox. */
export function recordMounting({ cabinet, work }, after) {
  const facts = Object.fromEntries(Object.entries(work.facts).filter(([, value]) => value !== null && value !== ""));
  return submit({
    path: "/api/v1/mountings/", words: `Mounting in ${cabinet.asset_tag}`, dependsOn: after,
    body: { id: work.mounting, assignment: work.assignment, ...facts, serial_taken_at: work.taken_at },
    same: (row) => row.body.id === work.mounting,
  });
}

/** Put a change of what was recorded into the outbox. */
function correctMounting({ cabinet, work }, facts) {
  return submit({
    method: "PATCH", path: `/api/v1/mountings/${work.mounting}/`, thing: work.mounting, body: { ...facts },
    words: `Mounting in ${cabinet.asset_tag} put right`,
  });
}

/** What the register found of the mounting that was recorded. */
function findingsOf(row) {
  return (row?.answer?.findings ?? []).map((finding) => box(finding.severity === "fail" ? "stop" : "note", finding.words, h("p", {}, finding.next_step)));
}

/** Return what the register would refuse, in plain words. */
function must(facts, work, why) {
  const missing = [];
  if (!work.serial) {
    missing.push("Take the serial before the cover is closed.");
  }
  if (!facts.cover_closed_at) {
    missing.push("Close the cover, and say so.");
  }
  if (why && facts.cable_exit && !facts.used_instead) {
    missing.push("Say what was used in place of drilling.");
  }
  return missing;
}

/** Return what must be mended before anybody leaves, in plain words; the register keeps it as it is. */
function should(facts) {
  const [out, back] = [facts.tools_out ?? null, facts.tools_back ?? null];
  const told = [
    out !== back && `${out ?? "Nobody counted how many"} tools went in, ${back ?? "nobody counted how many"} came out. Count them.`,
    HOLES.has(facts.cable_exit) && !(facts.sealed_inside && facts.sealed_outside) && "Seal the hole on both sides.",
    facts.cable_clear === false && "Lay the cable clear of hot and moving parts.",
    facts.outdoor_wrapped === "no" && "Wrap the outdoor connections.",
    facts.blanket_back === false && "Look for the blanket in the cabinet.",
  ];
  return told.filter(Boolean);
}

const SECTIONS = {
  before: ({ facts, set, now }) => [
    h("h2", {}, "Before"),
    number("Headroom cleared, mm", "headroom_cleared_mm", facts, set, bounds(now, "headroom_cleared")),
    number("Tools and parts taken along, counted", "tools_out", facts, set),
  ],
  rail: ({ facts, set, now }) => [
    h("h2", {}, "Rail"),
    answers("Parallel to the doors", YES_NO, facts.rail_parallel, (value) => set("rail_parallel", value)),
    answers("Centred left to right", YES_NO, facts.rail_centred, (value) => set("rail_centred", value)),
    answers("Near the evaporator", YES_NO, facts.near_evaporator, (value) => set("near_evaporator", value)),
    number("Behind the front edge, mm", "rail_behind_front_mm", facts, set, bounds(now, "rail_behind_front")),
  ],
  cable: ({ facts, set, redraw, now, cabinet }) => {
    const why = noDrilling(modelOf(now.pack, cabinet));
    const ways = why ? EXITS.filter(([value]) => !value.startsWith("drilled")) : EXITS;
    const choose = async (value) => {
      if (!HOLES.has(value)) {
        for (const name of ["hole_mm", "sealed_inside", "sealed_outside"]) {
          delete facts[name];
        }
      }
      await set("cable_exit", value);
      redraw("cable");
      [...document.querySelectorAll(".part-cable input:checked")][0]?.focus();
    };
    return [
      h("h2", {}, "Cable"),
      why ? box("stop", "Do not drill here", h("p", {}, why)) : null,
      answers("How the cable leaves", ways, facts.cable_exit, choose),
      why ? text("What was used in place of drilling", "used_instead", facts, set, "Such as magnets or a clamp.") : null,
      facts.cable_exit && facts.cable_exit !== "none" ? number("Below the ceiling, mm", "exit_below_ceiling_mm", facts, set, bounds(now, "exit_below_ceiling")) : null,
      HOLES.has(facts.cable_exit) ? [
        number("Hole, mm", "hole_mm", facts, set, bounds(now, "hole")),
        answers("Sealed inside", YES_NO, facts.sealed_inside, (value) => set("sealed_inside", value)),
        answers("Sealed outside", YES_NO, facts.sealed_outside, (value) => set("sealed_outside", value)),
      ] : null,
      answers("Clear of hot and moving parts", YES_NO, facts.cable_clear, (value) => set("cable_clear", value)),
      cabinet.setting === "indoor" ? null : answers("Outdoor connections wrapped", [["yes", "Yes"], ["no", "No"], ["not_applicable", "None outdoors"]], facts.outdoor_wrapped, (value) => set("outdoor_wrapped", value)),
    ];
  },
  cover: ({ facts, set, redraw, work, at }) => {
    const close = async () => {
      await set("cover_closed_at", clock());
      redraw("cover");
      say("Cover closed.");
    };
    const open = async () => {
      await set("cover_closed_at", null);
      redraw("cover");
      say("Cover open again.");
    };
    if (!work.serial) {
      return [h("h2", {}, "Cover"), box("stop", "Leave the cover open", h("p", {}, "The serial was not taken yet. Once the cover is closed nobody can read it."), link("Take the serial now", `${at}/label`, { kind: "first" }))];
    }
    return [
      h("h2", {}, "Cover"),
      h("p", { class: "serial-shown" }, work.serial),
      facts.cover_closed_at
        ? [h("p", { class: "state-line" }, icon("done"), " Cover closed, after the serial was taken."), button("I opened it again", open)]
        : [h("p", {}, "The serial is taken. Now the cover may be closed."), button("I closed the cover", close)],
    ];
  },
  after: ({ facts, set }) => [
    h("h2", {}, "After"),
    number("Tools and parts back, counted", "tools_back", facts, set),
    answers("Blanket back", YES_NO, facts.blanket_back, (value) => set("blanket_back", value)),
    text("Note", "note", facts, set),
  ],
};

/** Return why nobody drills into a cabinet of this model, or blank; as the register judges. */
function noDrilling(model) {
  if (model.refrigeration === "cold_wall") {
    return "Its walls hold the evaporator's tubes. A hole may let refrigerant out.";
  }
  return model.refrigeration === "fan_coil" ? "" : "Nobody has read how it is cooled, so its walls may hold tubes. Call the office.";
}

function bounds(now, name) {
  const told = now.pack.practice?.[name];
  const [least, most] = told ? [told.least_mm ?? null, told.most_mm ?? null] : PRACTICE[name];
  return { least, most, words: most === null ? `Practice: at least ${least} mm` : least === null ? `Practice: at most ${most} mm` : `Practice: ${least} to ${most} mm` };
}

function number(words, name, facts, set, practice = null) {
  const wrong = h("p", { class: "off", "aria-live": "polite" });
  const tell = (value) => {
    const off = practice && value !== null && ((practice.least !== null && value < practice.least) || (practice.most !== null && value > practice.most));
    wrong.textContent = off ? `Outside practice. Put it right, or say why in the note.` : "";
  };
  const input = h("input", {
    type: "text", inputmode: "numeric", pattern: "[0-9]*", autocomplete: "off", value: facts[name] ?? "",
    oninput: (event) => {
      event.target.value = event.target.value.replace(/\D/g, "").slice(0, 4);
      const value = event.target.value === "" ? null : Number(event.target.value);
      tell(value);
      set(name, value);
    },
  });
  tell(facts[name] ?? null);
  return h("div", {}, field(words, input, practice?.words ?? ""), wrong);
}

function text(words, name, facts, set, help = "") {
  return field(words, h("input", { type: "text", value: facts[name] ?? "", oninput: (event) => set(name, event.target.value.trim()) }), help);
}
