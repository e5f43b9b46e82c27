// The phone's clock: what it says now, and how far the register's is from it.
// Times are told by the phone's clock and sent with it, so that the register puts them right.

const SLIGHT_S = 10; // as the register has it: less is the line's doing

let offset = 0; // seconds to add to the phone's clock

/** Return the phone's time, ISO 8601 in UTC. */
export function now() {
  return new Date().toISOString();
}

/** Return the calendar day of the phone, YYYY-MM-DD. */
export function today(at = new Date()) {
  const two = (number) => String(number).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
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
  return Math.abs(offset) < SLIGHT_S ? 0 : offset;
}
