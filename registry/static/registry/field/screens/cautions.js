// The cautions of a cabinet, acknowledged by name before anything else.

import { now as clock } from "../clock.js";
import { box, button, h, icon } from "../elements.js";
import { acknowledgement, isBegun, submit } from "../state.js";

/** The screen of the cautions; nothing can be done to the cabinet before. */
export function cautions(now, { visit, cabinet, at, steps }, { go }) {
  const known = ["done", "waiting"].includes(steps.cautions);
  const { name } = now.pack.person;
  const row = acknowledgement(now.rows, visit, cabinet);
  const acknowledge = async () => {
    const codes = cabinet.cautions.map((caution) => caution.code);
    await submit({
      path: `/api/v1/visits/${visit.id}/acknowledge/`, body: { cabinet: cabinet.id, codes, acknowledged_at: clock() }, thing: visit.id,
      etag: visit.etag, words: `Cautions of ${cabinet.asset_tag} acknowledged`, same: (other) => other.body.cabinet === cabinet.id,
    });
    go(isBegun(now, visit) ? at : `/visit/${visit.id}`);
  };
  return {
    title: `Before you work on ${cabinet.asset_tag}`,
    back: known ? at : `/visit/${visit.id}`,
    body: [
      row?.state === "refused" ? box("stop", "The register refused this", h("p", {}, row.problem.detail)) : null,
      (cabinet.cautions ?? []).length ? null : h("p", {}, "No cautions are known for this cabinet. Look for yourself."),
      h("ol", { class: "cautions" },
        (cabinet.cautions ?? []).map((caution) => h("li", {}, icon("note"), h("div", {}, h("p", {}, caution.words),
          caution.assumed ? h("p", { class: "assumed" }, "Assumed, because something about this cabinet is unknown.") : null)))),
      h("p", { class: "defer" }, "Local codes, the maker's instructions and licensed practice come first. If in doubt, stop and call the office."),
      known ? h("p", { class: "state-line" }, icon("done"), " Acknowledged.") : null,
    ],
    foot: known ? [] : [h("p", { class: "held" }, `Recorded with your name, ${name}, and the time.`), button("I have read these", acknowledge, { kind: "first" })],
  };
}
