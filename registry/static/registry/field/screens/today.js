// Today: the visits, and whether the phone is ready to leave signal.

import { age_s } from "../day.js";
import { opensOffline } from "../install.js";
import { box, h, icon, link } from "../elements.js";
import { count, isBegun, isEnded, reasonsToStay, visitsOf } from "../state.js";
import { KIND_WORDS, STATE_WORDS } from "../things.js";

/** The first screen. */
export async function today(now) {
  const visits = visitsOf(now.pack).filter((visit) => visit.state !== "cancelled");
  const cards = [];
  for (const visit of visits) {
    cards.push(await card(now, visit));
  }
  const minutes = Math.round(age_s(now.pack) / 60);
  return {
    title: "Today",
    back: null,
    body: [
      cards.length ? h("ul", { class: "cards" }, cards) : box("note", "No visits today", h("p", {}, "The office has planned none for you, or the day was loaded before it did.")),
      now.pack.kit?.length ? link(`Kit for today: ${count(now.pack.kit.length, "line")}`, "/kit") : null,
      h("h2", {}, "This phone"),
      h("dl", { class: "facts" },
        h("dt", {}, "Day loaded"), h("dd", {}, minutes < 1 ? "just now" : `${count(minutes, "minute")} ago`),
        h("dt", {}, "For"), h("dd", {}, now.pack.person.name),
        h("dt", {}, "Devices with you"), h("dd", {}, String(now.pack.devices.filter((device) => device.place === "your van").length)),
        h("dt", {}, "Outbox"), h("dd", {}, now.open.length ? `${count(now.open.length, "change")} not sent` : "all sent"),
        h("dt", {}, "Opens without signal"), h("dd", {}, (await opensOffline()) ? "yes" : "not yet")),
    ],
    foot: [link("Load the day anew", "/day")],
  };
}

async function card(now, visit) {
  const [begun, ended] = [isBegun(now, visit), isEnded(now, visit)];
  const stay = begun && !ended ? await reasonsToStay(now, visit) : [];
  const state = ended ? "done" : stay.length ? "stop" : "open";
  const words = ended ? "Done" : stay.length ? "Do not leave yet" : begun ? (now.offline ? "Not yet checked" : "You may leave") : STATE_WORDS[visit.state];
  return h("li", {},
    h("a", { href: `#/visit/${visit.id}`, class: "card" },
      h("span", { class: "card-kind" }, KIND_WORDS[visit.kind]),
      h("strong", { class: "card-title" }, visit.location.name),
      h("span", { class: "card-line" }, `${count(visit.cabinets.length, "cabinet")}${visit.location.visiting_hours ? `, ${visit.location.visiting_hours}` : ""}`),
      h("span", { class: `card-state state-${state}` }, icon(state), words)));
}
