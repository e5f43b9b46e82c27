// The first readings on a picture of the cabinet's inside, the check with the tape, and the sign-off.

import { box, button, h, link, say } from "../elements.js";
import { verdict } from "../frame.js";
import { firstReadings } from "../register.js";
import { keep, look, modelOf, needsCheck, progress, reasonsToStay, submit } from "../state.js";
import { inside, sensorsOf } from "./inside_picture.js";

const LOOK_AGAIN_MS = 15_000;
const PASSED = { pass: "Passed", pass_with_note: "Passed with a note" };

/** The screen of the first readings. */
export async function readings(now, place, tools) {
  const { cabinet, steps, at } = place;
  if (!steps.place) {
    return { title: "First readings", back: at, body: [box("note", "No device is assigned yet", h("p", {}, "Assign it first; then its reports count for this cabinet."))], foot: [link("Assign the device", `${at}/assign`, { kind: "first" })] };
  }
  const parts = { verdict: h("div", {}), refused: h("div", {}), live: h("div", {}), judged: h("div", {}), told: h("p", { class: "wrong", role: "alert" }) };
  const screen = { ...place, now, told: null, parts, tools };
  let timer = null;
  let left = false;
  const ask = async () => {
    const sent = steps.place.row === null || (await current(screen)).place?.row?.state === "done";
    if (sent && !document.hidden) {
      try {
        const told = await firstReadings(steps.place.id);
        announce(screen.told, told, tools.say);
        screen.told = told;
      } catch (error) {
        screen.wrong = error;
      }
    }
    if (!left) {
      await drawAll(screen);
      timer = setTimeout(ask, LOOK_AGAIN_MS);
    }
  };
  await drawAll(screen);
  setTimeout(ask, 0);
  return {
    title: `First readings, ${cabinet.asset_tag}`,
    back: at,
    form: true,
    leave: () => { left = true; clearTimeout(timer); },
    changed: async (later) => {
      screen.now = later;
      const before = screen.steps?.check_state;
      await drawAll(screen);
      // A check that came back judged reports that this picture may not show yet.
      if (!left && before !== screen.steps.check_state) {
        clearTimeout(timer);
        await ask();
      }
    },
    body: [parts.verdict, parts.refused, parts.live, parts.judged, tape(screen), parts.told],
    foot: steps.sign_off === "done" || (place.visit.kind === "inspect" && steps.check_state === "done")
      ? [link("Back to the visit", `/visit/${place.visit.id}`, { kind: "first" }), button("Check once more", () => check(screen))]
      : [button("Check now", () => check(screen), { kind: "first" })],
  };
}

async function current(screen) {
  screen.now = await look();
  screen.steps = progress(screen.now, screen.visit, screen.cabinet, screen.work);
  return screen.steps;
}

/** Say to those who do not see it what came since the last look. */
function announce(before, told, speak) {
  const had = before?.reports?.length ?? 0;
  const has = told.reports?.length ?? 0;
  if (has > had) {
    speak(`${has === 1 ? "The first report" : `${has} reports`} arrived. ${told.findings?.[0]?.words ?? "Nothing is wrong so far."}`);
  }
}

async function drawAll(screen) {
  const { parts, visit } = screen;
  const steps = await current(screen);
  if (needsCheck(visit) || visit.kind === "inspect") {
    parts.verdict.replaceChildren(verdict(await reasonsToStay(screen.now, visit), screen.now));
  }
  const refused = steps.place.row?.state === "refused";
  parts.refused.replaceChildren(refused ? box("stop", "The register refused the assignment", h("p", {}, steps.place.row.problem.detail), link("Put it right", `${screen.at}/assign`)) : "");
  parts.live.replaceChildren(...live(screen).filter(Boolean));
  parts.judged.replaceChildren(...judged(screen, steps).filter(Boolean));
}

/** What the device reports now. */
function live({ told, now, cabinet, steps, wrong }) {
  const model = modelOf(now.pack, cabinet);
  const device = now.pack.devices.find((other) => other.serial === steps.place.serial);
  const kind = now.pack.device_models.find((other) => other.id === device?.device_model);
  const sensors = sensorsOf(told, kind?.sensor_count ?? model.sensor_count ?? 3);
  const reports = told?.reports ?? [];
  const newest = reports.at(-1);
  const every = told?.report_interval_min ?? kind?.report_interval_min;
  const words = newest
    ? `${reports.length} ${reports.length === 1 ? "report" : "reports"}. ${[told.air_c ? `${told.air_c} °C at the rail` : "", newest.supply_mv ? `supply ${newest.supply_mv} mV` : "", newest.signal_dbm ? `signal ${newest.signal_dbm} dBm` : ""].filter(Boolean).join("; ")}`
    : `Device ${steps.place.serial} has not reported yet.${every ? ` It reports every ${every} min.` : ""}`;
  return [
    inside(sensors, told?.height_mm ?? model.interior_height_mm),
    h("p", { class: "caption" }, words),
    wrong && !told && wrong.reason === "refused" ? h("p", { class: "wrong" }, wrong.message) : null,
    told && steps.check_state === "open" ? found(told.findings ?? [], "So far nothing is wrong.") : null,
    told?.advice?.length ? h("ul", { class: "advice" }, told.advice.map((line) => h("li", {}, line))) : null,
  ];
}

function found(findings, nothing) {
  if (!findings.length) {
    return h("p", { class: "state-line" }, nothing);
  }
  return h("ul", { class: "findings" }, findings.map((finding) =>
    h("li", {}, box(finding.severity === "fail" ? "stop" : "note", finding.words, h("p", {}, finding.next_step)))));
}

/** What the newest check came to, and its sign-off. */
function judged(screen, steps) {
  const { check, sign } = steps;
  if (!check) {
    return [];
  }
  if (check.state === "refused") {
    return [box("stop", "The register refused the check", h("p", {}, check.problem.detail), link("Outbox", "/outbox"))];
  }
  if (check.state !== "done") {
    return [box("wait", "The check is kept, not sent yet", h("p", {}, "Not yet checked. Do not leave unless told so."))];
  }
  const { result, findings } = check.answer;
  if (result === "fail") {
    return [box("stop", "The check failed", h("p", {}, "Put right what is below, then check again.")), found(findings, "")];
  }
  const signed = sign?.state === "done";
  return [
    box("done", `${PASSED[result] ?? result}${signed ? " and signed off" : ""}`, findings.length ? h("p", {}, "The office follows the note up.") : null,
      sign ? (signed ? null : h("p", {}, sign.state === "refused" ? sign.problem.detail : "Sign-off kept, not sent yet.")) : null,
      screen.visit.kind !== "inspect" && (!sign || sign.state === "refused") ? button(`Sign off as ${screen.now.pack.person.name}`, () => signOff(screen, check), { kind: "first" }) : null),
    findings.length ? found(findings, "") : null,
  ];
}

/** The figures of the tape, one for each sensor, left to right. */
function tape(screen) {
  const { now, cabinet, steps, work } = screen;
  const device = now.pack.devices.find((other) => other.serial === steps.place.serial);
  const kind = now.pack.device_models.find((other) => other.id === device?.device_model);
  const count = kind?.sensor_count ?? modelOf(now.pack, cabinet).sensor_count ?? 3;
  const inputs = Array.from({ length: count }, (_, at) =>
    h("label", { class: "tape-one" }, h("span", {}, `Sensor ${at + 1}`),
      h("input", {
        type: "text", inputmode: "numeric", autocomplete: "off", value: work.tape_mm[at] ?? "", "data-sensor": at + 1,
        oninput: (event) => {
          event.target.value = event.target.value.replace(/\D/g, "").slice(0, 4);
          work.tape_mm = Array.from({ length: count }, (__, index) => (index === at ? Number(event.target.value) || null : work.tape_mm[index] ?? null));
          keep(work);
        },
      })));
  return h("fieldset", { class: "tape" }, h("legend", {}, "Tape, mm"), h("p", { class: "help" }, "From each sensor's face straight down to the ice. Leave out what you cannot reach."), h("div", { class: "tape-row" }, inputs));
}

async function check(screen) {
  const { steps, work, cabinet, parts, visit } = screen;
  const count = screen.parts.told.parentElement.querySelectorAll("[data-sensor]").length;
  const tape_mm = Array.from({ length: count }, (_, at) => work.tape_mm[at] ?? null);
  if (!tape_mm.some(Boolean) && work.asked_tape !== true) {
    work.asked_tape = true;
    parts.told.textContent = "Measure with the tape first: without it nobody knows that the sensors tell the truth. Press again to check without it.";
    return;
  }
  parts.told.textContent = "";
  const body = { id: crypto.randomUUID(), tape_mm };
  if (visit.kind !== "unplanned") {
    body.visit = visit.id;
  }
  await submit({ path: `/api/v1/assignments/${steps.place.id}/acceptance/`, body, words: `Check of ${steps.place.serial} in ${cabinet.asset_tag}`, dependsOn: steps.place.row?.key });
  await drawAll(screen);
  say(screen.now.offline ? "The check is kept. Not yet checked. Do not leave." : "Checking.");
}

async function signOff(screen, made) {
  await submit({ path: `/api/v1/acceptance/${made.body.id}/sign-off/`, body: {}, thing: made.body.id, words: `Sign off ${screen.steps.place.serial} in ${screen.cabinet.asset_tag}` });
  await drawAll(screen);
  document.getElementById("heading")?.focus();
}
