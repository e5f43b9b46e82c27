// The phone's clock: what it says now, and how far the register's is from it.
// Times are told by the phone's clock and sent with it, so that the register puts them right.

const SLIGHT_S = 10; // as the register has it: less is the line's doing

let offset = null; // seconds to add to the phone's clock, null while the register's is not known

/** Return the phone's time, ISO 8601 in UTC. */
export function now() {
  return new Date().toISOString();
}

/** Return the calendar day of the phone, YYYY-MM-DD. */
export function today(at = new Date()) {
  const two = (number) => String(number).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
}

/**
 * Return what the phone's clock says, or would say now, to which the times of something belong that was done
 * when it was `then` seconds behind (null: not known): ISO 8601 in UTC.
 *
 * A phone whose clock was wrong gets it put right as it finds a line again. Where it is right now and was not
 * then, the times were told by the clock of then.
 */
export function clockOf(then) {
  const wasPutRight = then !== null && Math.abs(then) >= SLIGHT_S && offset !== null && Math.abs(offset) < SLIGHT_S;
  return wasPutRight ? new Date(Date.now() + (offset - then) * 1000).toISOString() : now();
}

/** Return the seconds that the phone's clock was behind the register's when they last met, null: never. */
export const known_s = () => offset;

/** Take over what an earlier page of this phone knew, unless this one knows better. */
export function recall(seconds) {
  offset ??= seconds ?? null;
}

/** Learn the register's time from an answer to something that was asked at `asked` (ms of the phone). */
export function learn(told, asked, answered = Date.now()) {
  const there = Date.parse(told);
  if (Number.isFinite(there)) {
    offset = Math.round((there - (asked + answered) / 2) / 1000);
  }
}

/** Return the seconds that the phone's clock is behind the register's; negative: ahead; 0: they agree. */
export function behind_s() {
  return Math.abs(offset ?? 0) < SLIGHT_S ? 0 : offset;
}
