// Building elements without markup in text, so that no data is ever read as markup.

const SVG = "http://www.w3.org/2000/svg";

/** Return an element: names that begin with "on" are listeners, null and false are left out. */
export function h(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}

/** Return an element of a picture (SVG). */
export function s(name, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") {
      element.addEventListener(name.slice(2), value);
    } else if (name === "value" || name === "checked" || name === "disabled") {
      element[name] = value;
    } else if (value !== null && value !== undefined && value !== false) {
      element.setAttribute(name, value === true ? "" : value);
    }
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

const DRAWINGS = {
  done: ["M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20z", "M6.8 12.4l3.6 3.6l7-7.6"],
  stop: ["M8 2h8l6 6v8l-6 6H8l-6-6V8z", "M12 6.5v7.5M12 17v.6"],
  wait: ["M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20z", "M12 6.5V12l4 3"],
  note: ["M12 2.5L22.5 21h-21z", "M12 9v6M12 17.6v.6"],
  open: ["M12 3a9 9 0 1 0 0 18a9 9 0 1 0 0-18z"],
};

/** Return a small drawing that stands beside words which say the same; screen readers pass over it. */
export function icon(name) {
  return s(
    "svg",
    { viewBox: "0 0 24 24", class: `icon icon-${name}`, "aria-hidden": "true", focusable: "false" },
    DRAWINGS[name].map((path, at) => s("path", { d: path, class: at ? "sign" : "ground" })),
  );
}

/** Return a button. `kind` is "first" for what comes next, "grave" for what cannot be undone, or blank. */
export function button(words, onclick, { kind = "", ...more } = {}) {
  return h("button", { type: "button", class: `button ${kind}`, onclick, ...more }, words);
}

/** Return a link to another screen, which looks like a button. */
export function link(words, to, { kind = "", ...more } = {}) {
  return h("a", { href: `#${to}`, class: `button ${kind}`, ...more }, words);
}

/** Return a box that says how things stand: `state` is done, stop, wait or note. */
export function box(state, title, ...children) {
  return h(
    "section",
    { class: `box box-${state}` },
    h("p", { class: "box-title" }, icon(state), h("strong", {}, title)),
    children,
  );
}

let count = 0;

/** Return a labelled field: `control` is the input, `help` stands below it. */
export function field(words, control, help = "") {
  count += 1;
  control.id ||= `field-${count}`;
  const told = help ? h("p", { class: "help", id: `${control.id}-help` }, help) : null;
  if (told) {
    control.setAttribute("aria-describedby", told.id);
  }
  return h("div", { class: "field" }, h("label", { for: control.id }, words), control, told);
}

/** Return a group of large answers, one of which is chosen; `onchoose` is told the value. */
export function answers(words, options, chosen, onchoose, help = "") {
  count += 1;
  const name = `answers-${count}`;
  return h(
    "fieldset",
    { class: "answers" },
    h("legend", {}, words),
    help ? h("p", { class: "help" }, help) : null,
    h(
      "div",
      { class: "choices" },
      options.map(([value, text]) =>
        h(
          "label",
          { class: "choice" },
          h("input", { type: "radio", name, checked: value === chosen, onchange: () => onchoose(value) }),
          h("span", {}, text),
        ),
      ),
    ),
  );
}

/** Say something to those who do not see the screen change; `urgent` interrupts what is being read. */
export function say(words, { urgent = false } = {}) {
  const place = document.getElementById(urgent ? "said-urgently" : "said");
  if (place) {
    place.textContent = "";
    setTimeout(() => {
      place.textContent = words;
    }, 50);
  }
}
