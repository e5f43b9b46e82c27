// A device comes out of its cabinet: the label is read, so that no other one is taken for it.

import { now as clock } from "../clock.js";
import { answers, box, button, field, h, say } from "../elements.js";
import { labelReader } from "../label_reader.js";
import { judge } from "../serials.js";
import { submit } from "../state.js";

const REASONS = [["fault", "It is at fault"], ["moved", "It goes elsewhere"], ["closed", "The store or the cabinet closes"], ["other", "Something else"]];
const UNREAD = "Label not readable";
const NOTE_LEAST = 4;

/** The screen on which a device is taken out; it goes into the van of whoever takes it. */
export function takeOut(now, { cabinet, steps, at }, { go }) {
  const hanging = steps.place;
  if (!hanging) {
    return { title: "Take the device out", back: at, body: [box("note", "No device hangs here by the register", h("p", {}, "If there is one all the same, read its label and call the office."))], foot: [] };
  }
  const ended = steps.removed;
  const refused = ended?.state === "refused" ? ended : null;
  const given = { reason: refused?.body.end_reason ?? null, read: false, unread: false };
  const note = h("input", { type: "text", autocomplete: "off" });
  const wrong = h("p", { class: "wrong", role: "alert" });
  const judged = (text) => {
    const found = judge(text, now.pack);
    given.read = found.serial === hanging.serial;
    if (given.read) {
      return box("done", "This is the device that hangs here", h("p", { class: "serial-shown" }, found.serial));
    }
    if (found.state === "wrong") {
      return box("stop", "This is not a serial", h("p", {}, found.words));
    }
    return box("stop", "Another device hangs here by the register", h("p", {}, `The label says ${found.serial}, the register ${hanging.serial}. Leave it in place and call the office.`));
  };
  const reader = labelReader(judged);
  const record = async () => {
    const words = note.value.trim();
    if (!given.read && !given.unread) {
      wrong.textContent = "Read the label of the device first.";
      return;
    }
    if (!given.reason) {
      wrong.textContent = "Say why it comes out.";
      return;
    }
    if (given.reason === "other" && words.length < NOTE_LEAST) {
      wrong.textContent = "Say in the note why it comes out.";
      note.focus();
      return;
    }
    const end_note = [given.read ? "" : UNREAD, words].filter(Boolean).join(". ");
    await submit({
      path: `/api/v1/assignments/${hanging.id}/end/`, thing: hanging.id, etag: hanging.etag,
      body: { valid_to: refused?.body.valid_to ?? clock(), end_reason: given.reason, end_note, staff: now.pack.person.id },
      words: `${hanging.serial} out of ${cabinet.asset_tag}, into your van`,
    });
    say("Recorded.");
    go(at);
  };
  const unread = button("The label cannot be read", () => {
    given.unread = true;
    unread.replaceWith(h("p", { class: "state-line" }, "The label cannot be read: this is recorded."));
  });
  const body = ended && !refused
    ? [box(ended.state === "done" ? "done" : "wait", ended.state === "done" ? "Taken out" : "Kept on this phone, not sent yet", h("p", {}, ended.words))]
    : [
        refused ? box("stop", "The register refused this", h("p", {}, refused.problem.detail)) : null,
        h("p", {}, "By the register, ", h("strong", { class: "serial-shown" }, hanging.serial), " hangs here."),
        reader.parts, reader.told, unread,
        answers("Why does it come out?", REASONS, given.reason, (value) => { given.reason = value; }),
        field("Note", note, "It stays in the register for good, so nothing about persons."),
        box("note", "Before you leave", h("p", {}, "Close the hole of the cable on both sides, and count tools and blanket out again. Have what was wired to the mains undone as local codes say.")),
        wrong,
      ];
  return {
    title: "Take the device out",
    back: at,
    form: true,
    leave: reader.stop,
    body,
    foot: ended && !refused ? [] : [button(refused ? "Send it again" : "It is out", record, { kind: "first" })],
  };
}
