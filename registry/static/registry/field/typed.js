// What people type and scanners send, folded as the register does (registry/rules/identifiers/typed.py).

import { Refused } from "./refusals.js";

export const TYPED_LENGTH_MAX = 100; // characters, before separators are dropped

// Listed one by one, and not by Unicode category, so that the register drops exactly the same ones.
const SPACES = "\u0020\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000";
const DASHES = "\u002d\u00ad\u2010\u2011\u2012\u2013\u2014\u2015\u2043\u2212\ufe58\ufe63\uff0d";
export const SEPARATORS = new Set(SPACES + DASHES);

// Full-width copies of ASCII stand at this distance from it; nothing else is folded.
const FULL_WIDTH = { first: 0xff01, last: 0xff5e, distance: 0xfee0 };
const PLAIN = /^[0-9A-Za-z*]$/;

/** Return a text in upper case, without separators, made of 0-9, A-Z and * only; throws Refused. */
export function fold(typed, { field, code = "text_invalid" }) {
  const name = field.replaceAll("_", " ");
  const characters = [...typed];
  if (characters.length > TYPED_LENGTH_MAX) {
    throw new Refused(
      code,
      `The ${name} is longer than ${TYPED_LENGTH_MAX} characters. Type only what the label shows.`,
    );
  }
  const kept = [];
  for (const [index, character] of characters.entries()) {
    if (!SEPARATORS.has(character)) {
      const plain = narrow(character);
      if (!PLAIN.test(plain)) {
        const point = codePoint(plain);
        throw new Refused(
          code,
          `The ${name} holds ${printable(plain) ? `'${plain}'` : point} at position ${index + 1}. ` +
            "Use only letters and digits.",
          { position: index + 1, character: point },
        );
      }
      kept.push(plain);
    }
  }
  if (!kept.length) {
    throw new Refused(code, `The ${name} is blank. Type it as the label shows it.`);
  }
  return kept.join("").toUpperCase();
}

/** Return a number as digits without separators; throws Refused. */
export function foldDigits(typed, field) {
  const text = fold(typed, { field, code: "value_invalid" });
  const other = [...text].find((character) => character < "0" || character > "9");
  if (other) {
    throw new Refused(
      "value_invalid",
      `The ${field.replaceAll("_", " ")} holds '${other}'. It is made of digits only; compare it with the label.`,
      { character: codePoint(other) },
    );
  }
  return text;
}

/** Say whether a label can show a character. */
export function printable(character) {
  return character === " " || !/[\p{C}\p{Z}]/u.test(character);
}

/** Return the name of a character, as U+0041. */
export function codePoint(character) {
  return `U+${character.codePointAt(0).toString(16).toUpperCase().padStart(4, "0")}`;
}

function narrow(character) {
  const point = character.codePointAt(0);
  const wide = point >= FULL_WIDTH.first && point <= FULL_WIDTH.last;
  return wide ? String.fromCodePoint(point - FULL_WIDTH.distance) : character;
}
