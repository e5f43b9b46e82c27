// The serial scheme that a device model declares (registry/rules/identifiers/serials.py).
//
// A scheme is {prefix, alphabet, payload_length, check_method, check_covers_prefix}, as the day pack tells it.

import { isValid, METHODS } from "./check_characters.js";
import { Refused } from "./refusals.js";
import { fold } from "./typed.js";

/** Return a typed serial in upper case without separators; throws Refused. */
export function normalise(typed) {
  return fold(typed, { field: "serial" });
}

/** Return the number of characters of a whole serial. */
export function lengthOf(scheme) {
  return scheme.prefix.length + scheme.payload_length + METHODS[scheme.check_method].length;
}

/** Return, for each position of a serial, the characters that may stand there. */
export function charactersAt(scheme) {
  const method = METHODS[scheme.check_method];
  return [
    ...scheme.prefix,
    ...Array(scheme.payload_length).fill(scheme.alphabet),
    ...Array(method.length).fill(method.check),
  ];
}

/** Tell whether the check at the end of a text of the scheme's shape is the right one. */
export function checkFits(scheme, text) {
  return isValid(scheme.check_method, scheme.check_covers_prefix ? text : text.slice(scheme.prefix.length));
}

/** Return the canonical serial of what was typed, or throw Refused, whose details name the `problem`. */
export function accept(scheme, typed) {
  const text = normalise(typed);
  requireShape(scheme, text);
  if (!checkFits(scheme, text)) {
    refuse(
      "wrong_check",
      "The check at the end does not fit the rest, so at least one character is wrong. " +
        "Compare each one with the label.",
    );
  }
  return text;
}

function requireShape(scheme, text) {
  const { prefix } = scheme;
  const length = lengthOf(scheme);
  if (!text.startsWith(prefix)) {
    if (text.length === length - prefix.length) {
      refuse(
        "missing_prefix",
        `The serial begins with ${prefix}, which was left out. Type it whole, as the label shows it.`,
        { prefix },
      );
    }
    refuse(
      "wrong_prefix",
      `Serials of this model begin with ${prefix}. Compare the beginning with the label, ` +
        "or choose the model the label names.",
      { prefix },
    );
  }
  if (text.length !== length) {
    const amount = text.length < length ? "too short" : "too long";
    refuse(
      "wrong_length",
      `The serial has ${text.length} characters where ${length} belong, so it is ${amount}. ` +
        "Compare it with the label.",
      { length: text.length, expected_length: length },
    );
  }
  for (const [index, allowed] of charactersAt(scheme).entries()) {
    if (!allowed.includes(text[index])) {
      refuse(
        "wrong_character",
        `${text[index]} cannot stand at position ${index + 1} of this serial. Compare it with the label.`,
        { character: text[index], position: index + 1 },
      );
    }
  }
}

function refuse(problem, message, details = {}) {
  throw new Refused("serial_invalid", message, { problem, ...details });
}
