// A survey of a cabinet: what has to be known of it before somebody works on it.

import { now as clock } from "../clock.js";
import { answers, box, button, field, h, say } from "../elements.js";
import { keep, submit } from "../state.js";

const OUTCOMES = [["suitable", "Suitable"], ["with_conditions", "Suitable with conditions"], ["unsuitable", "Not suitable"]];
const YES_OR_NO = [[true, "Yes"], [false, "No"], [null, "Nobody could see"]];
const QUESTIONS = [
  ["near_water", "Is a sink, a drain or a wet floor near it?", YES_OR_NO],
  ["needs_ladder", "Must somebody climb to work on it?", YES_OR_NO],
  ["drilling", "Where does its maker let somebody drill?", [["forbidden", "Nowhere"], ["marked_zone", "In a marked zone"], ["unknown", "Not known"]]],
  ["liner", "What is its inside made of?", [["steel", "Steel"], ["aluminium", "Aluminium"], ["plastic", "Plastic"], ["unknown", "Not known"]]],
  ["socket", "Where could a device take its power?", [["free_protected", "A free outlet with earth-fault protection"], ["free", "A free outlet"], ["none", "There is none"], ["unknown", "Not known"]]],
];
const NOTE_LEAST = 4;

/** The screen of a survey. What was not looked at is unknown, and brings the stricter caution. */
export function survey(now, { visit, cabinet, work, steps, at }, { go }) {
  const refused = steps.surveyed?.state === "refused" ? steps.surveyed : null;
  const given = { outcome: null, note: "", ...(refused?.body ?? {}), ...(work.survey ?? {}) };
  const wrong = h("p", { class: "wrong", role: "alert" });
  const note = h("textarea", { rows: "3", value: given.note });
  const told = (name) => (value) => {
    given[name] = value;
    keep({ ...work, survey: given });
  };
  note.addEventListener("input", () => told("note")(note.value));
  const record = async () => {
    if (!given.outcome) {
      wrong.textContent = "Say whether a device may be put up here.";
      return;
    }
    given.note = note.value.trim();
    if (given.outcome !== "suitable" && given.note.length < NOTE_LEAST) {
      wrong.textContent = "Say in the note which conditions there are, or what speaks against it.";
      note.focus();
      return;
    }
    const known = QUESTIONS.map(([name]) => [name, given[name]]).filter(([, value]) => value !== undefined && value !== null);
    const body = {
      id: crypto.randomUUID(), cabinet: cabinet.id, visit: visit.id, surveyed_at: refused?.body.surveyed_at ?? clock(),
      outcome: given.outcome, note: given.note, ...Object.fromEntries(known),
    };
    await submit({ path: "/api/v1/surveys/", body, words: `Survey of ${cabinet.asset_tag}`, same: (other) => other.body.cabinet === cabinet.id });
    await keep({ ...work, survey: null });
    say("Recorded.");
    go(at);
  };
  return {
    title: `Survey of ${cabinet.asset_tag}`,
    back: at,
    form: true,
    body: [
      refused ? box("stop", "The register refused this", h("p", {}, refused.problem.detail)) : null,
      steps.survey === "done" ? box("done", "Surveyed already", h("p", {}, "A further survey is added; the newest counts.")) : null,
      answers("May a device be put up here?", OUTCOMES, given.outcome, told("outcome")),
      QUESTIONS.map(([name, words, options]) => answers(words, options, given[name], told(name))),
      field("Note", note, "It stays in the register for good, so nothing about persons."),
      wrong,
    ],
    foot: [button("Record the survey", record, { kind: "first" })],
  };
}
