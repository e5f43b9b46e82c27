// The serials that somebody may have meant, as the register finds them (registry/rules/identifiers/suggestions.py).

import { charactersAt, checkFits, lengthOf, normalise } from "./schemes.js";

const LOOK_ALIKES = ["0ODQ", "1IL", "17", "2Z", "5S", "6G", "8B", "UV", "X*"];
const FREE_CONFUSIONS_MAX = 2;
const CONFUSIONS_MAX = 1_500;
const CANDIDATES_MAX = 5_000;
const RANKS = { exact: 0, confusion: 1, swap: 2, missing: 3, extra: 3, substitution: 4 };

const SIMILAR = {};
for (const group of LOOK_ALIKES) {
  for (const character of group) {
    SIMILAR[character] = (SIMILAR[character] ?? "") + group.replace(character, "");
  }
}

/** Return up to `limit` of the assignable serials (a Set) one slip away, likeliest first: [{serial, kind}]. */
export function nearest(typed, scheme, assignable, limit = 5) {
  return candidates(typed, scheme)
    .filter((candidate) => assignable.has(candidate.serial))
    .slice(0, limit);
}

/** Return every serial of the scheme one slip away, likeliest first; throws Refused as `normalise` does. */
export function candidates(typed, scheme) {
  const kinds = new Map();
  for (const [serial, kind] of edits(normalise(typed), scheme)) {
    const known = kinds.get(serial);
    if ((known === undefined || RANKS[kind] < RANKS[known]) && (known || isSerial(serial, scheme))) {
      kinds.set(serial, kind);
    }
  }
  return [...kinds]
    .sort(([one, a], [other, b]) => RANKS[a] - RANKS[b] || (one < other ? -1 : 1))
    .slice(0, CANDIDATES_MAX)
    .map(([serial, kind]) => ({ serial, kind }));
}

function isSerial(text, scheme) {
  const places = charactersAt(scheme);
  return (
    text.length === places.length &&
    places.every((allowed, index) => allowed.includes(text[index])) &&
    checkFits(scheme, text)
  );
}

function* edits(text, scheme) {
  yield* editsOf(text, scheme, "exact");
  const { prefix } = scheme;
  if (prefix && text.length < lengthOf(scheme)) {
    yield* editsOf(prefix + text, scheme, "missing");
  }
  if (prefix && text.startsWith(prefix + prefix)) {
    yield* editsOf(text.slice(prefix.length), scheme, "extra");
  }
}

function* editsOf(text, scheme, unchanged) {
  const places = charactersAt(scheme);
  if (text.length === places.length) {
    yield [text, unchanged];
    const swapped = new Set(swaps(text));
    for (const edit of swapped) {
      yield [edit, "swap"];
    }
    for (const edit of confusions(text, places)) {
      if (!swapped.has(edit)) {
        yield [edit, "confusion"];
      }
    }
    for (const edit of substitutions(text, places)) {
      yield [edit, "substitution"];
    }
  } else if (text.length === places.length - 1) {
    for (const [index, allowed] of places.entries()) {
      for (const character of allowed) {
        yield [text.slice(0, index) + character + text.slice(index), "missing"];
      }
    }
  } else if (text.length === places.length + 1) {
    for (let index = 0; index < text.length; index += 1) {
      yield [text.slice(0, index) + text.slice(index + 1), "extra"];
    }
  }
}

function misplaced(text, places) {
  return places.flatMap((allowed, index) => (allowed.includes(text[index]) ? [] : [index]));
}

/** Yield at most CONFUSIONS_MAX texts with look-alikes exchanged, few exchanges first. */
function* confusions(text, places) {
  const options = places.map((allowed, index) =>
    [...(SIMILAR[text[index]] ?? "")].filter((other) => allowed.includes(other)),
  );
  const forced = misplaced(text, places);
  const free = options.flatMap((others, index) => (others.length && !forced.includes(index) ? [index] : []));
  let left = CONFUSIONS_MAX;
  for (const edit of exchanged(text, forced, free, options)) {
    if (left === 0) {
      return;
    }
    left -= 1;
    yield edit;
  }
}

function* exchanged(text, forced, free, options) {
  const forcedOptions = forced.map((index) => options[index]);
  if (forced.length) {
    for (const others of product(forcedOptions)) {
      yield replaced(text, forced, others);
    }
  }
  for (const others of product(forcedOptions)) {
    const settled = replaced(text, forced, others);
    for (const [places, changes] of freeChanges(text, free, options)) {
      yield replaced(settled, places, changes);
    }
  }
}

/** Yield exchanges of look-alikes: one, all of a kind, then several. */
function* freeChanges(text, free, options) {
  for (const index of free) {
    for (const other of options[index]) {
      yield [[index], [other]];
    }
  }
  for (const character of [...new Set(free.map((index) => text[index]))].sort()) {
    const together = free.filter((index) => text[index] === character);
    for (const other of SIMILAR[character]) {
      if (together.length > FREE_CONFUSIONS_MAX && together.every((index) => options[index].includes(other))) {
        yield [together, together.map(() => other)];
      }
    }
  }
  for (const [at, one] of free.entries()) {
    for (const other of free.slice(at + 1)) {
      for (const changes of product([options[one], options[other]])) {
        yield [[one, other], changes];
      }
    }
  }
}

function* product(lists) {
  if (!lists.length) {
    yield [];
    return;
  }
  for (const first of lists[0]) {
    for (const rest of product(lists.slice(1))) {
      yield [first, ...rest];
    }
  }
}

function replaced(text, places, characters) {
  const kept = [...text];
  places.forEach((place, index) => {
    kept[place] = characters[index];
  });
  return kept.join("");
}

function* swaps(text) {
  for (const distance of [1, 2]) {
    for (let index = 0; index < text.length - distance; index += 1) {
      if (text[index] !== text[index + distance]) {
        yield replaced(text, [index, index + distance], [text[index + distance], text[index]]);
      }
    }
  }
}

function* substitutions(text, places) {
  const wrong = misplaced(text, places);
  if (wrong.length > 1) {
    return;
  }
  for (const index of wrong.length ? wrong : places.keys()) {
    for (const character of places[index]) {
      if (character !== text[index]) {
        yield replaced(text, [index], [character]);
      }
    }
  }
}
