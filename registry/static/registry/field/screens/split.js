// How products share a cabinet: a divider is dragged over a picture of its front.

import { now as clock } from "../clock.js";
import { box, button, field, h, say } from "../elements.js";
import { modelOf, submit } from "../state.js";
import { productName, splitWords } from "../things.js";
import { shown } from "./cabinet.js";
import { front, spread } from "./front_picture.js";

const LEAST = 5; // per cent: less is no column
const DRAG_STEP = 5; // per cent, for a gloved finger
const PRODUCTS_MAX = 4;
const KEYS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 };

/** The screen of the split. */
export function split(now, { visit, cabinet, at }, { go }) {
  const { products } = now.pack;
  const model = modelOf(now.pack, cabinet);
  let shares = shown(now, cabinet);
  if (!shares.length) {
    shares = products.slice(0, 1).map((product) => ({ product: product.id, share: 100 }));
  }
  const picture = h("div", {});
  const rows = h("div", { class: "split-rows" });
  const wrong = h("p", { class: "wrong", role: "alert" });
  const refused = now.rows.findLast((row) => row.path === `/api/v1/cabinets/${cabinet.id}/split/` && row.state === "refused");

  const move = (divider, to) => {
    const before = shares.slice(0, divider).reduce((sum, share) => sum + share.share, 0);
    const both = shares[divider].share + shares[divider + 1].share;
    const left = Math.min(Math.max(Math.round(to) - before, LEAST), both - LEAST);
    shares[divider].share = left;
    shares[divider + 1].share = both - left;
    // The picture stays: a grip that were replaced under a finger would lose it, and the tap after it.
    spread(picture, shares);
    grips.forEach((grip) => grip.place());
    rows.replaceChildren(...shares.map((share, column) => rowOf(column)));
    document.getElementById(`handle-${divider}`)?.focus();
  };
  let grips = [];
  const draw = (focus = null) => {
    grips = shares.slice(0, -1).map((_, divider) => handle(shares, products, divider, move));
    picture.replaceChildren(front(shares, products, model, { handles: grips.map((grip) => grip.element) }));
    rows.replaceChildren(...shares.map((share, column) => rowOf(column)));
    if (focus) {
      document.getElementById(focus)?.focus();
    }
  };
  const rowOf = (column) => columnRow({ shares, products, column, move, redraw: draw, told: () => say(splitWords(shares, products)) });
  const add = () => {
    if (shares.length >= Math.min(PRODUCTS_MAX, products.length)) {
      wrong.textContent = `A front is shared by ${shares.length} products at most here.`;
      return;
    }
    const widest = shares.reduce((best, share) => (share.share > best.share ? share : best));
    const free = products.find((product) => !shares.some((share) => share.product === product.id)) ?? products[0];
    const half = Math.floor(widest.share / 2);
    widest.share -= half;
    shares.push({ product: free.id, share: half });
    draw();
    say(splitWords(shares, products));
  };
  const record = async () => {
    if (new Set(shares.map((share) => share.product)).size < shares.length) {
      wrong.textContent = "The same product stands twice. Choose another, or take one away.";
      return;
    }
    await submit({
      path: `/api/v1/cabinets/${cabinet.id}/split/`, thing: cabinet.id, etag: cabinet.etag,
      body: { valid_from: clock(), shares: shares.map((share) => ({ product: share.product, share: String(share.share) })) },
      words: `${cabinet.asset_tag}: ${splitWords(shares, products)}`,
    });
    go(at);
  };
  draw();
  return {
    title: `Front of ${cabinet.asset_tag}`,
    back: at,
    form: true,
    body: [
      refused ? box("stop", "The register refused this", h("p", {}, refused.problem.detail)) : null,
      h("p", {}, shares.length > 1 ? "Drag the divider to where the bags change." : "Add a product where the bags change. Then drag the divider."),
      picture, wrong, rows,
      button("Add a product", add),
    ],
    foot: [button("Record this", record, { kind: "first" })],
    visit,
  };
}

/** A divider, {element, place}: dragged by finger, moved by keys, its buttons below; `place` puts it where it belongs. */
function handle(shares, products, divider, move) {
  const stands = () => shares.slice(0, divider + 1).reduce((sum, share) => sum + share.share, 0);
  const names = [shares[divider], shares[divider + 1]].map((share) => productName(products, share.product));
  const element = h("div", {
    class: "handle", id: `handle-${divider}`, role: "slider", tabindex: "0", "aria-orientation": "horizontal",
    "aria-label": `Divider between ${names[0]} and ${names[1]}`,
    onkeydown: (event) => {
      if (event.key in KEYS) {
        event.preventDefault();
        move(divider, stands() + KEYS[event.key]);
      }
    },
    onpointerdown: (event) => drag(event, divider, move),
  }, h("span", { class: "grip", "aria-hidden": "true" }, "‹ ›"));
  const place = () => {
    const value = stands();
    element.style.left = `${value}%`;
    element.setAttribute("aria-valuemin", value - shares[divider].share + LEAST);
    element.setAttribute("aria-valuemax", value + shares[divider + 1].share - LEAST);
    element.setAttribute("aria-valuenow", value);
    element.setAttribute("aria-valuetext", splitWords(shares, products));
  };
  place();
  return { element, place };
}

function drag(event, divider, move) {
  event.preventDefault();
  const area = event.currentTarget.parentElement.getBoundingClientRect();
  const follow = (moved) => {
    const percent = (100 * (moved.clientX - area.left)) / area.width;
    move(divider, Math.round(percent / DRAG_STEP) * DRAG_STEP);
  };
  const stop = () => {
    removeEventListener("pointermove", follow);
    removeEventListener("pointerup", stop);
    removeEventListener("pointercancel", stop);
  };
  addEventListener("pointermove", follow);
  addEventListener("pointerup", stop);
  addEventListener("pointercancel", stop);
}

/** One product: which, how much, and buttons for those who do not drag. */
function columnRow({ shares, products, column, move, redraw, told }) {
  const share = shares[column];
  const divider = Math.min(column, shares.length - 2);
  const step = (change) => () => {
    const before = shares.slice(0, divider + 1).reduce((sum, other) => sum + other.share, 0);
    move(divider, before + (column === divider ? change : -change));
    document.getElementById(`${change > 0 ? "wider" : "narrower"}-${column}`)?.focus();
    told();
  };
  const choose = h("select", { onchange: (event) => { share.product = event.target.value; redraw(); told(); } },
    products.map((product) => h("option", { value: product.id, selected: product.id === share.product }, product.name)));
  const remove = () => {
    const [gone] = shares.splice(column, 1);
    shares[Math.max(column - 1, 0)].share += gone.share;
    redraw();
    told();
  };
  const name = productName(products, share.product);
  return h("div", { class: "split-row" },
    field(`Product ${column + 1} from the left`, choose),
    shares.length > 1
      ? h("div", { class: "nudge" },
          button("−", step(-DRAG_STEP), { id: `narrower-${column}`, "aria-label": `${name} ${DRAG_STEP} % less` }),
          h("output", {}, `${share.share}\u00a0%`),
          button("+", step(DRAG_STEP), { id: `wider-${column}`, "aria-label": `${name} ${DRAG_STEP} % more` }),
          button("Take away", remove, { "aria-label": `Take away ${name}` }))
      : null);
}
