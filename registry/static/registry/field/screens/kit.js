// The kit of the van, summed for one's own visits of the day, ticked off as it is loaded.

import { box, h } from "../elements.js";
import { draft, saveDraft } from "../store.js";

/** The screen of the kit; what is ticked stays on this phone. */
export async function kit(now) {
  const name = `kit:${now.pack.day}`;
  const kept = (await draft(name)) ?? { name, ticked: [] };
  const lines = now.pack.kit ?? [];
  const tick = (code) => async (event) => {
    kept.ticked = event.target.checked ? [...kept.ticked, code] : kept.ticked.filter((other) => other !== code);
    await saveDraft(name, kept);
  };
  return {
    title: "Kit for today",
    back: "/today",
    form: true,
    body: [
      lines.length ? h("p", {}, "Summed for your own visits. Visits that are nobody's yet have a kit of their own.")
        : box("note", "No kit", h("p", {}, "You have no visit of your own today, or the office has set no rules for the kit.")),
      h("ul", { class: "ticks" }, lines.map((line) => h("li", {}, h("label", { class: "tick" },
        h("input", { type: "checkbox", checked: kept.ticked.includes(line.code), onchange: tick(line.code) }),
        h("span", {}, h("strong", {}, `${line.quantity} ${unitOf(line)}`), ` ${line.name}`,
          line.assumed ? h("span", { class: "assumed" }, " Assumed: something is unknown.") : null))))),
    ],
    foot: [],
  };
}

const unitOf = (line) => (line.unit === "piece" ? "×" : line.unit);
