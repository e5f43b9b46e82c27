// A picture of a cabinet's inside: the rail, the beams, and what each sensor says.

import { h, s } from "../elements.js";

const WIDTH = 360;
const TOP = 34; // where the rail hangs
const FLOOR = 250;
const HEIGHT_MM = 1500; // drawn where nobody has measured the inside

/**
 * Return what each sensor says, left to right: {sensor, distance_mm, state}.
 *
 * `state` is "fail", "note" or "ok" by the findings about it, "silent" where it says nothing.
 */
export function sensorsOf(told, count) {
  const zones = told?.zones?.length ? told.zones : Array.from({ length: count }, (_, at) => ({ sensor: at + 1, distance_mm: null }));
  return zones.map(({ sensor, distance_mm }) => {
    const grave = (told?.findings ?? []).filter((finding) => finding.sensor === sensor).map((finding) => finding.severity);
    const state = grave.includes("fail") ? "fail" : distance_mm === null ? "silent" : grave.length ? "note" : "ok";
    return { sensor, distance_mm, state };
  });
}

/** Return the picture, and the same in words for those who do not see it. */
export function inside(sensors, height_mm) {
  const scale = (FLOOR - TOP) / (height_mm || HEIGHT_MM);
  const step = WIDTH / sensors.length;
  const beams = sensors.map(({ sensor, distance_mm, state }, at) => {
    const x = step * (at + 0.5);
    const y = TOP + Math.min((distance_mm ?? height_mm ?? HEIGHT_MM) * scale, FLOOR - TOP);
    const half = Math.min(step * 0.38, (y - TOP) * 0.3 + 8);
    return s("g", { class: `beam beam-${state}` },
      distance_mm === null ? null : s("rect", { class: "ice", x: at * step + 3, y, width: step - 6, height: Math.max(FLOOR - y, 2), rx: 3 }),
      s("polygon", { points: `${x - 5},${TOP} ${x + 5},${TOP} ${x + half},${y} ${x - half},${y}` }),
      s("rect", { class: "sensor", x: x - 11, y: TOP - 11, width: 22, height: 14, rx: 3 }),
      s("text", { class: "number", x, y: 16 }, String(sensor)),
      s("text", { class: "value", x, y: 278 }, distance_mm === null ? "–" : String(distance_mm)));
  });
  const words = sensors.map(({ sensor, distance_mm, state }) => {
    const said = distance_mm === null ? "nothing yet" : `${distance_mm} mm`;
    return `Sensor ${sensor}: ${said}${state === "fail" ? ", wrong" : state === "note" ? ", see the note" : ""}`;
  });
  return h("figure", { class: "inside" },
    s("svg", { viewBox: `0 0 ${WIDTH} 300`, role: "img", "aria-label": `The cabinet's inside. ${words.join("; ")}.` },
      s("rect", { class: "wall", x: 1.5, y: 22, width: WIDTH - 3, height: FLOOR - 20, rx: 8 }),
      s("line", { class: "rail", x1: 10, x2: WIDTH - 10, y1: TOP - 5, y2: TOP - 5 }),
      beams,
      s("text", { class: "unit", x: WIDTH / 2, y: 297 }, "mm from sensor to ice")));
}
