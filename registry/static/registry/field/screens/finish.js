// The end of a visit: whether one may leave, and a loud way for those who must.

import { now as clock } from "../clock.js";
import { button, field, h, link } from "../elements.js";
import { verdict } from "../frame.js";
import { progress, reasonsToStay, submit, workOf } from "../state.js";

/** The screen on which a visit ends. */
export async function finish(now, visit, { go }) {
  const reasons = await reasonsToStay(now, visit);
  const may = !reasons.length && !now.offline;
  const wrong = h("p", { class: "wrong", role: "alert" });
  const why = h("input", { type: "text", autocomplete: "off" });
  const end = async () => {
    const outcome = why.value.trim();
    if (!may && outcome.length < 4) {
      wrong.textContent = "Say why you leave although it is not checked.";
      why.focus();
      return;
    }
    const body = { finished_at: clock(), outcome: may ? outcome || "Done" : `Left unchecked: ${outcome}` };
    const left_out = visit.kind === "survey" ? await unsurveyed(now, visit) : [];
    if (left_out.length) {
      body.left_out = left_out.map((cabinet) => ({ cabinet: cabinet.id, reason: outcome }));
    }
    await submit({ path: `/api/v1/visits/${visit.id}/finish/`, body, thing: visit.id, etag: visit.etag, words: `Finish the visit to ${visit.location.name}` });
    go("/today");
  };
  return {
    title: "Finish the visit",
    back: `/visit/${visit.id}`,
    form: true,
    body: [
      verdict(reasons, now),
      may ? field("Outcome", why, "In a few words, if something is worth telling.")
        : [h("p", {}, "If you must leave all the same, say why. The office sees it at once."), field("Why you leave all the same", why)],
      wrong,
    ],
    foot: may ? [button("Finish", end, { kind: "first" })] : [link("Stay and put it right", `/visit/${visit.id}`, { kind: "first" }), button("Leave all the same", end, { kind: "grave" })],
  };
}

/** Return the cabinets of a survey that nobody has surveyed on it: each is told with why. */
async function unsurveyed(now, visit) {
  const left = [];
  for (const cabinet of visit.cabinets) {
    const { survey } = progress(now, visit, cabinet, await workOf(visit, cabinet));
    if (["open", "refused"].includes(survey)) {
      left.push(cabinet);
    }
  }
  return left;
}
