// What the phone knows of a thing, in words: so that two states of it can be laid beside each other.

export const KIND_WORDS = {
  survey: "Survey", install: "Install", swap: "Swap", remove: "Remove", inspect: "Inspect", unplanned: "Not planned",
};
export const STATE_WORDS = { planned: "Planned, not released", released: "Ready", begun: "Begun", done: "Done", cancelled: "Cancelled" };
const SETTINGS = { indoor: "Indoors", outdoor: "Outdoors", unknown: "Not known" };

/**
 * Return a thing of a pack as {etag, lines}, with lines [term, words] in a fixed order; null where the pack
 * does not hold it. A thing is a visit, a cabinet or an assignment, by its key.
 */
export function thingIn(pack, key) {
  const visits = [...(pack?.visits ?? []), ...(pack?.stores ?? [])];
  const visit = visits.find((other) => other.id === key);
  if (visit) {
    return { etag: visit.etag, lines: ofVisit(visit) };
  }
  for (const cabinet of visits.flatMap((other) => other.cabinets)) {
    if (cabinet.id === key) {
      return { etag: cabinet.etag, lines: ofCabinet(pack, cabinet) };
    }
    const assignment = (cabinet.assignments ?? []).find((other) => other.id === key);
    if (assignment) {
      return { etag: assignment.etag, lines: [["Device", assignment.serial], ["Cabinet", cabinet.asset_tag]] };
    }
  }
  return null;
}

function ofVisit(visit) {
  return [
    ["Visit", KIND_WORDS[visit.kind] ?? visit.kind],
    ["State", STATE_WORDS[visit.state] ?? visit.state],
    ["Day", visit.planned_on],
    ["Cabinets", visit.cabinets.map((cabinet) => cabinet.asset_tag).join(", ") || "none"],
    ["Note", visit.note || "none"],
  ];
}

function ofCabinet(pack, cabinet) {
  const model = pack.cabinet_models.find((other) => other.id === cabinet.model);
  return [
    ["Cabinet", cabinet.asset_tag],
    ["Model", model?.name ?? "not known"],
    ["Setting", SETTINGS[cabinet.setting] ?? cabinet.setting],
    ["Place", cabinet.position || "not told"],
    ["Products", splitWords(cabinet.split ?? [], pack.products) || "not recorded"],
    ["Devices", (cabinet.assignments ?? []).map((other) => other.serial).join(", ") || "none"],
  ];
}

/** Return a product's name by its key. */
export function productName(products, key) {
  return products.find((product) => product.id === key)?.name ?? "Another product";
}

/** Return shares in words, left to right. */
export function splitWords(shares, products) {
  return shares.map((share) => `${productName(products, share.product)} ${Number(share.share)} %`).join(", then ");
}

/**
 * Return each line of a thing as {term, then, now, changed}: as it was seen, and as it is. Either may be
 * null: then nothing of it is known.
 */
export function compared(seen, there) {
  const terms = [...new Set([...(seen ?? []), ...(there ?? [])].map(([term]) => term))];
  const words = (lines, term) => lines?.find(([name]) => name === term)?.[1] ?? "not known";
  return terms.map((term) => {
    const [then, now] = [words(seen, term), words(there, term)];
    return { term, then, now, changed: then !== now };
  });
}
