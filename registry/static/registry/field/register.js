// What the page asks the register directly, because it is only worth knowing now.

const WAIT_MS = 20_000;

/** Why an answer did not come: `reason` is "line", "sign_in" or "refused", with the problem document. */
export class NoAnswer extends Error {
  constructor(reason, problem = null) {
    super(problem?.detail ?? "There is no line to the register.");
    this.reason = reason;
    this.problem = problem;
  }
}

/** Return what the register tells at an address of the API; rejects with NoAnswer. */
export async function ask(path) {
  let answer;
  let told;
  try {
    answer = await fetch(`/api/v1${path}`, {
      cache: "no-store",
      redirect: "error",
      headers: { Accept: "application/json", "Rimebook-Face": "field" },
      signal: AbortSignal.timeout(WAIT_MS),
    });
    told = await answer.json();
  } catch {
    throw new NoAnswer("line");
  }
  if (answer.status === 401) {
    throw new NoAnswer("sign_in", told);
  }
  if (!answer.ok) {
    throw new NoAnswer("refused", told);
  }
  return told;
}

/** Return the first reports of an assignment and what is found so far. */
export const firstReadings = (assignment) => ask(`/assignments/${assignment}/first-readings/`);
