// Photos as evidence, made smaller on the phone, without where they were taken.

import { now as clock } from "../clock.js";
import { box, button, h, say } from "../elements.js";
import { enqueue } from "../queue.js";
import { photo as keptPhoto, savePhoto } from "../store.js";

const SIDE_PX_MAX = 1600;
const QUALITY = 0.85;
const KINDS = [["label", "Label of the device"], ["inside", "Inside, with the rail"], ["cable_exit", "Where the cable leaves"], ["nameplate", "Nameplate of the cabinet"], ["other", "Something else"]];

/** The screen of the photos. */
export async function photos(now, { cabinet, work, steps, at, visit }, { redraw }) {
  const wrong = h("p", { class: "wrong", role: "alert" });
  const add = (kind, words) => async (event) => {
    const [file] = event.target.files;
    if (!file) {
      return;
    }
    try {
      const body = { id: crypto.randomUUID(), kind, taken_at: clock() };
      const place = steps.place ? { assignment: steps.place.id } : { cabinet: cabinet.id };
      const planned = visit.kind === "unplanned" ? {} : { visit: visit.id };
      const key = await savePhoto(await smaller(file));
      await enqueue({ path: "/api/v1/photos/", photo: key, body: { ...body, ...place, ...planned }, words: `Photo of ${cabinet.asset_tag}: ${words.toLowerCase()}`, dependsOn: steps.place?.row?.key });
      say("Photo kept.");
      redraw();
    } catch {
      wrong.textContent = "This picture cannot be read. Take it again.";
    }
  };
  const taken = now.rows.filter((row) => row.photo && [steps.place?.id, work.assignment, cabinet.id].some((id) => id && (row.body.assignment === id || row.body.cabinet === id)));
  const pictures = [];
  for (const row of taken) {
    pictures.push(h("li", {}, await picture(row), h("p", {}, row.words), h("p", {}, { waiting: "Kept, not sent yet", sending: "Being sent", done: "Sent", refused: "Refused: see the outbox" }[row.state])));
  }
  return {
    title: `Photos of ${cabinet.asset_tag}`,
    back: at,
    body: [
      h("p", {}, "Photos show no people. Where they were taken is not kept in them."),
      wrong,
      h("div", { class: "takes" }, KINDS.map(([kind, words]) =>
        h("label", { class: "button take" }, words, h("input", { type: "file", accept: "image/*", capture: "environment", class: "unseen", onchange: add(kind, words) })))),
      pictures.length ? h("ul", { class: "photos" }, pictures) : box("note", "No photo yet", h("p", {}, "The label and the inside are the most useful ones.")),
    ],
    foot: [button("Done", () => { location.hash = at; }, { kind: "first" })],
  };
}

async function picture(row) {
  const blob = await keptPhoto(row.photo);
  if (!blob) {
    const show = h("img", { src: `/api/v1/photos/${row.body.id}/image/`, alt: row.words, onerror: () => show.remove() });
    return row.state === "done" ? show : null;
  }
  const address = URL.createObjectURL(blob);
  return h("img", { src: address, alt: row.words, onload: () => URL.revokeObjectURL(address) });
}

/** Return a picture of at most SIDE_PX_MAX, drawn anew, so that nothing but the picture is kept. */
async function smaller(file) {
  const bitmap = await createImageBitmap(file);
  const scale = Math.min(1, SIDE_PX_MAX / Math.max(bitmap.width, bitmap.height));
  const canvas = h("canvas", { width: Math.round(bitmap.width * scale), height: Math.round(bitmap.height * scale) });
  canvas.getContext("2d").drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  bitmap.close();
  return new Promise((resolve, reject) => {
    canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("This picture cannot be drawn."))), "image/jpeg", QUALITY);
  });
}
