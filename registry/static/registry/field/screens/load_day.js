// Loading the day, before one leaves signal.

import { loadDay } from "../day.js";
import { box, button, h, link } from "../elements.js";
import { count, visitsOf } from "../state.js";

/** The screen on which the day is loaded. */
export function day(now, { go, say }) {
  const told = h("div", { class: "told" });
  const load = async (event) => {
    const pressed = event.currentTarget;
    pressed.disabled = true;
    told.replaceChildren(h("p", {}, "Loading."));
    try {
      const kept = await loadDay();
      say(`Loaded: ${count(visitsOf(kept).length, "visit")}.`);
      go("/today");
    } catch (error) {
      pressed.disabled = false;
      told.replaceChildren(
        h("p", { class: "wrong", role: "alert" }, error.message),
        error.reason === "sign_in" ? h("p", {}, h("a", { class: "button first", href: "/field/sign-in/" }, "Sign in")) : "",
      );
    }
  };
  return {
    title: now.pack ? "Load the day anew" : "Load your day",
    back: now.pack ? "/today" : null,
    form: true,
    body: [
      now.another ? box("note", `The day on this phone is ${now.another}'s`, h("p", {}, "Load your own. What they did and did not send yet stays here until they sign in.")) : null,
      h("p", {}, "Load it while you have signal. Then visits, cabinets and the devices of your van are on this phone, and the page works behind a steel roof too."),
      told,
    ],
    foot: [button("Load the day", load, { kind: "first" }), now.pack ? link("Not now", "/today") : null],
  };
}
