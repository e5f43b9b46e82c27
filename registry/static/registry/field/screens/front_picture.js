// A picture of a freezer's front, divided as products share it.

import { h, s } from "../elements.js";
import { productName } from "../things.js";

const DOORS_FROM_MM = [900, 1500]; // inside width from which a front is drawn with two and with three doors

/** Return how many doors a front of this model is drawn with. */
export function doorsOf(model) {
  return 1 + DOORS_FROM_MM.filter((width) => (model.interior_width_mm ?? 0) >= width).length;
}

/** Return the picture: an ordinary freezer, its doors, and a column of bags for each share. */
export function front(shares, products, model, { handles = [] } = {}) {
  const columns = shares.map((share, at) => {
    const column = h("div", { class: `column tone-${at % 3}` }, h("span", { class: "column-name" }, productName(products, share.product)), h("span", { class: "column-share" }, `${share.share} %`));
    column.style.flexGrow = String(share.share);
    return column;
  });
  const doors = doorsOf(model);
  const lines = Array.from({ length: doors - 1 }, (_, at) => s("line", { x1: (100 * (at + 1)) / doors, x2: (100 * (at + 1)) / doors, y1: 0, y2: 100 }));
  return h("div", { class: "freezer" },
    h("div", { class: "freezer-head", "aria-hidden": "true" }, "ICE"),
    h("div", { class: "freezer-front" },
      columns.length ? columns : h("div", { class: "column empty" }, "?"),
      s("svg", { class: "doors", viewBox: "0 0 100 100", preserveAspectRatio: "none", "aria-hidden": "true" }, lines),
      handles),
    h("div", { class: "freezer-foot", "aria-hidden": "true" }));
}

/** Give the columns of a picture that stands the widths of these shares. */
export function spread(picture, shares) {
  picture.querySelectorAll(".column").forEach((column, at) => {
    column.style.flexGrow = String(shares[at].share);
    column.querySelector(".column-share").textContent = `${shares[at].share} %`;
  });
}
