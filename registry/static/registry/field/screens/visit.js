// One visit: where it is, what must be known before work, the cabinets, and whether one may leave.

import { now as clock } from "../clock.js";
import { button, h, icon, link } from "../elements.js";
import { verdict } from "../frame.js";
import { isBegun, isEnded, modelOf, needsCheck, progress, reasonsToStay, submit, unread, workOf } from "../state.js";
import { KIND_WORDS } from "../things.js";

/** The screen of a visit. */
export async function visit(now, there, { redraw }) {
  const { location } = there;
  const of = `/api/v1/visits/${there.id}`;
  const [begun, ended] = [isBegun(now, there), isEnded(now, there)];
  const rows = [];
  for (const cabinet of there.cabinets) {
    rows.push(await row(now, there, cabinet));
  }
  const begin = async () => {
    const words = `Begin the visit to ${location.name}`;
    await submit({ path: `${of}/begin/`, body: { begun_at: clock() }, thing: there.id, etag: there.etag, words });
    redraw();
  };
  return {
    title: location.name,
    back: "/today",
    body: [
      begun && !ended ? verdict(await reasonsToStay(now, there), now) : null,
      ended ? h("p", { class: "state-line" }, icon("done"), " This visit is finished.") : null,
      h("p", { class: "kind" }, KIND_WORDS[there.kind]),
      h("address", {}, location.address.split("\n").flatMap((line) => [line, h("br")])),
      location.visiting_hours ? h("p", {}, `Hours: ${location.visiting_hours}`) : null,
      there.note ? h("p", { class: "note" }, there.note) : null,
      h("h2", {}, "Cabinets"),
      h("ul", { class: "cards" }, rows),
      kit(there),
    ],
    foot: foot(there, begun, ended, begin, unread(now, there)),
  };
}

function foot(there, begun, ended, begin, next) {
  if (ended) {
    return [link("Today", "/today")];
  }
  if (begun) {
    return there.kind === "unplanned" ? [] : [link("Finish the visit", `/visit/${there.id}/finish`)];
  }
  if (there.state === "planned") {
    return [h("p", { class: "held" }, "The office has not released this visit yet. Call it before you begin.")];
  }
  if (next) {
    return [link(`Read the cautions of ${next.asset_tag}`, `/visit/${there.id}/cabinet/${next.id}/cautions`, { kind: "first" })];
  }
  return [button("Begin the visit", begin, { kind: "first" })];
}

async function row(now, there, cabinet) {
  const work = await workOf(there, cabinet);
  const steps = progress(now, there, cabinet, work);
  const [state, words] = standing(there, steps);
  return h("li", {},
    h("a", { href: `#/visit/${there.id}/cabinet/${cabinet.id}`, class: "card" },
      h("strong", { class: "card-title" }, cabinet.asset_tag),
      h("span", { class: "card-line" }, [modelOf(now.pack, cabinet).name, cabinet.position].filter(Boolean).join(", ")),
      h("span", { class: `card-state state-${state}` }, icon(state), words)));
}

function standing(there, steps) {
  if (["open", "refused"].includes(steps.cautions)) {
    return ["note", "Read the cautions first"];
  }
  if (there.kind === "survey") {
    return { done: ["done", "Surveyed"], waiting: ["wait", "Surveyed, not sent yet"], refused: ["stop", "The survey was refused"] }[steps.survey] ?? ["open", "Not surveyed yet"];
  }
  if (there.kind === "remove") {
    return { done: ["done", "No device"], waiting: ["wait", "Taken out, not sent yet"], refused: ["stop", "Taking out was refused"] }[steps.remove] ?? ["open", `Device ${steps.place.serial} hangs here`];
  }
  if (!needsCheck(there)) {
    const checked = { done: ["done", "checked"], failed: ["stop", "the check failed"], waiting: ["wait", "check not sent yet"] }[steps.check_state] ?? ["open", "not yet checked"];
    return steps.place ? [checked[0], `Device ${steps.place.serial}, ${checked[1]}`] : ["done", "No device"];
  }
  if (steps.sign_off === "done") {
    return ["done", "Checked and signed off"];
  }
  if (steps.check_state === "failed") {
    return ["stop", "The check failed"];
  }
  return steps.place ? ["wait", `Device ${steps.place.serial}, not yet checked`] : ["open", "No device yet"];
}

/** The kit, below the cabinets: their cautions come first on each of them. */
function kit(there) {
  if (!there.kit?.length) {
    return null;
  }
  const lines = there.kit.map((line) => h("li", {}, `${line.quantity} ${line.name ?? line.part}`, line.assumed ? h("span", { class: "assumed" }, " (assumed: something is unknown)") : null));
  return h("details", { class: "kit" }, h("summary", {}, "Kit for this visit"), h("ul", {}, lines));
}
