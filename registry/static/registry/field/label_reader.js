// Reading a label: by camera where the browser offers it, and always by hand.

import { closeCamera, openCamera, scanFrom } from "./barcode.js";
import { box, button, field, h } from "./elements.js";

const PAUSE_MS = 400; // between the last key and the verdict

/**
 * Return a way to read a label: {parts, told, look, stop}.
 *
 * `judge` is given the text and how it came ("scanned", "typed"), and returns what is shown of it in `told`.
 * `look` judges a text that came otherwise; `stop` ends the camera.
 */
export function labelReader(judge, { words = "Or type the serial", value = "" } = {}) {
  const told = h("div", { class: "told", "aria-live": "polite" });
  const input = h("input", { value, autocomplete: "off", autocapitalize: "characters", spellcheck: "false", enterkeyhint: "done", class: "serial" });
  const video = h("video", { class: "camera", hidden: true, muted: true, "aria-label": "Camera picture" });
  const stopping = new AbortController();
  let waiting = null;

  const look = (text, how) => told.replaceChildren(...(text.trim() ? [judge(text, how)] : []));
  const retry = (serial) => {
    input.value = serial;
    look(serial, "typed");
    input.focus();
  };
  input.addEventListener("input", () => {
    clearTimeout(waiting);
    told.replaceChildren(); // what was said is of another serial, and must not be taken for this one
    waiting = setTimeout(() => look(input.value, "typed"), PAUSE_MS);
  });
  input.addEventListener("keydown", (event) => event.key === "Enter" && look(input.value, "typed"));

  const scan = async () => {
    try {
      video.hidden = false;
      await openCamera(video);
      const [code] = await scanFrom(video, { signal: stopping.signal });
      input.value = code.text.replace(/^\][A-Za-z][0-9]/, "");
      navigator.vibrate?.(80);
      look(code.text, "scanned");
    } catch (error) {
      if (!stopping.signal.aborted) {
        told.replaceChildren(box("note", "The camera cannot be used", h("p", {}, "Type the serial as the label shows it. The page checks each character.")));
        input.focus();
      }
    } finally {
      closeCamera(video);
      video.hidden = true;
    }
  };
  return {
    parts: [video, button("Scan the label", scan, { kind: "large" }), field(words, input, "Spaces and dashes do not matter.")],
    told,
    look,
    retry,
    stop: () => stopping.abort(),
  };
}
