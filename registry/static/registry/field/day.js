// The day pack: what a phone needs before it leaves signal.

import { known_s, learn, today } from "./clock.js";
import { saveFact, savePack } from "./store.js";

const WAIT_MS = 60_000;
const OLD_S = 12 * 60 * 60; // as long as a session: a day's work

/** Why no pack came: `reason` is "line", "sign_in" or "refused", with the problem document. */
export class NoPack extends Error {
  constructor(reason, problem = null) {
    super(problem?.detail ?? (reason === "sign_in" ? "Sign in again." : "There is no line to the register."));
    this.reason = reason;
    this.problem = problem;
  }
}

/** Load and keep the pack of a day (YYYY-MM-DD by the phone), and return it; rejects with NoPack. */
export async function loadDay(day = today()) {
  const asked = Date.now();
  let answer;
  let told;
  try {
    answer = await fetch(`/api/v1/day-pack/?day=${day}`, {
      cache: "no-store",
      redirect: "error",
      headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(WAIT_MS),
    });
    told = await answer.json();
  } catch {
    throw new NoPack("line");
  }
  if (answer.status === 401) {
    throw new NoPack("sign_in");
  }
  if (!answer.ok) {
    throw new NoPack("refused", told);
  }
  learn(told.made_at, asked);
  await saveFact("behind_s", known_s());
  const kept = { ...told, day, loaded_at: new Date().toISOString() };
  await savePack(kept);
  return kept;
}

/** Return for how long a pack has been on this phone, in seconds. */
export function age_s(pack) {
  return Math.max(0, Math.round((Date.now() - Date.parse(pack.loaded_at)) / 1000));
}

/** Say whether a pack is of another day, or too old to go by. */
export function isOld(pack) {
  return pack.day !== today() || age_s(pack) > OLD_S;
}
