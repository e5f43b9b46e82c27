// Scanned codes, read as the register reads them (registry/rules/identifiers/scans.py, digital_links.py, gs1.py).

import { IDENTIFIERS, identifierOf } from "./application_identifiers.js";
import { isValid } from "./check_characters.js";
import { Refused } from "./refusals.js";
import { codePoint, fold, foldDigits, printable, SEPARATORS } from "./typed.js";

export const SERIAL_LENGTH_MAX = 40;
const SCAN_LENGTH_MAX = 500;
const FNC1 = "\u001d";
const SET_82 = /^[!%-?A-Z_a-z"]*$/; // GS1 General Specifications section 7.11
const BLANK = /^[\s\x1c-\x1f\x85]+|[\s\x1c-\x1f\x85]+$/g;

// The leading digits of an element that end in a GS1 check digit.
const CHECKED_DIGITS = {
  "00": 18, "01": 14, "02": 14, "03": 14, 253: 13, 255: 13, 402: 17,
  410: 13, 411: 13, 412: 13, 413: 13, 414: 13, 415: 13, 416: 13, 417: 13,
  8003: 14, 8006: 14, 8017: 18, 8018: 18, 8026: 14,
};
const REQUIRED_BESIDE = { 21: ["01", "03", "8006"], 254: ["414"] };
const EXCLUDED_BESIDE = { "01": ["255", "37"] };
const PRIMARY_KINDS = { "01": "gtin", 414: "gln", 417: "gln", 8003: "grai", 8004: "giai" };
// ISO/IEC 15424: letters of carriers, those that carry a product's number and those that carry elements.
const SYMBOLOGY_LETTERS = new Set("ABCDEFGHIKLMNOPQRSTUXZcdeopszJ");
const WITH_GTIN = new Set(["E0", "E3", "E4", "I1"]);
const WITH_ELEMENTS = new Set(["C1", "e0", "d2", "Q3", "J1"]);
const BY_THEMSELVES_NOTHING = new Set(["E1", "E2", "e1", "e2"]);
const BRACKETED = /^(?:\([0-9]{2,4}\)[^()]+)+$/;

// GS1 Digital Link, URI Syntax: which identifiers stand first in a path, and what may follow, in this order.
const QUALIFIERS = {
  "01": ["22", "10", "21", "235"], 8006: ["22", "10", "21"], 8013: [], 8010: ["8011"], 414: ["254", "7040"],
  415: ["8020"], 417: ["7040"], 8017: ["8019"], 8018: ["8019"], 255: [], "00": [], 253: [], 401: [], 402: [],
  8003: [], 8004: ["7040"],
};
const PATH_ONLY = ["21", "22", "235", "254"];
const GTIN_SPELLINGS = /^(?:[0-9]{8}|[0-9]{12,14})$/;

/** Return {kind, value, source, serial, elements} of a scanned code; throws Refused. */
export function readScan(scanned) {
  const text = tidy(scanned);
  const [carrier, content] = splitSymbology(text);
  if (WITH_GTIN.has(carrier)) {
    return { kind: "gtin", value: keyOf("gtin", content), source: "plain", serial: "", elements: [] };
  }
  if (/^[A-Za-z][A-Za-z0-9+.-]*:/.test(content)) {
    return fromElements(parseDigitalLink(content), "digital_link");
  }
  if (WITH_ELEMENTS.has(carrier) || content.includes(FNC1)) {
    return readElementString(content);
  }
  if (content.startsWith("(")) {
    return fromElements(parseBracketed(content), "bracketed");
  }
  let serial = "";
  try {
    serial = fold(content, { field: "scan" });
  } catch (error) {
    if (!(error instanceof Refused)) {
      throw error;
    }
  }
  if (serial && serial.length <= SERIAL_LENGTH_MAX) {
    return { kind: "serial", value: serial, source: "plain", serial: "", elements: [] };
  }
  return readElementString(content);
}

/** Return what a GS1 element string names, also one whose scanner dropped all marks; throws Refused. */
export function readElementString(text) {
  return fromElements(parseElementString(tidy(text)), "element_string");
}

function tidy(scanned) {
  if ([...scanned].length > SCAN_LENGTH_MAX) {
    refuse(`The code is longer than ${SCAN_LENGTH_MAX} characters.`);
  }
  const text = scanned.replace(/^ +| +$/g, "");
  if (!text.replaceAll(FNC1, "").replaceAll(" ", "")) {
    refuse("The code is empty.");
  }
  for (const character of text) {
    if (!printable(character) && character !== FNC1 && !SEPARATORS.has(character)) {
      refuse(`The code holds ${codePoint(character)}, which no label shows.`);
    }
  }
  return text;
}

function splitSymbology(text) {
  if (!text.startsWith("]")) {
    return [null, text];
  }
  const match = /^\]([A-Za-z])[0-9A-Za-z]/.exec(text);
  if (!match || !SYMBOLOGY_LETTERS.has(match[1])) {
    refuse("The code starts with a mark that names no kind of barcode.");
  }
  const carrier = match[0].slice(1);
  if (BY_THEMSELVES_NOTHING.has(carrier)) {
    refuse("This part of a barcode names nothing by itself.");
  }
  return [carrier, text.slice(match[0].length)];
}

function parseElementString(content) {
  const elements = [];
  let rest = content.replace(BLANK, "");
  const unreadable = () => refuse("The code is neither a serial nor a GS1 element string.");
  const parsed = [];
  while (rest) {
    const identifier = identifierOf(rest) ?? unreadable();
    const { begins, marked } = IDENTIFIERS.get(identifier);
    const value = (begins.exec(rest.split(FNC1, 1)[0].slice(identifier.length)) ?? unreadable())[0];
    rest = rest.slice(identifier.length + value.length);
    parsed.push([identifier, marked && rest && !rest.startsWith(FNC1)]);
    elements.push([identifier, value]);
    rest = rest.replace(/^\x1d+/, "");
  }
  for (const [identifier, torn] of parsed) {
    if (torn) {
      refuse(`Element (${identifier}) is too long, or its end is not marked.`);
    }
  }
  return elements.length ? elements : unreadable();
}

function parseBracketed(content) {
  const text = content.replace(/[\s\x1c-\x1f\x85]+/g, "");
  if (!BRACKETED.test(text)) {
    throw new Refused(
      "scan_ambiguous",
      "The brackets of this code do not pair up with identifiers. Scan it instead of typing its print.",
    );
  }
  return [...text.matchAll(/\(([0-9]+)\)([^(]+)/g)].map(([, identifier, value]) =>
    whole(identifier, value, "The code is no GS1 element string in brackets."),
  );
}

function whole(identifier, value, message) {
  if (!IDENTIFIERS.get(identifier)?.whole.test(value)) {
    refuse(message);
  }
  return [identifier, value];
}

function parseDigitalLink(content) {
  const [, scheme, host, path, query] =
    /^([A-Za-z][A-Za-z0-9+.-]*):(?:\/\/([^/?#]*))?([^?#]*)(?:\?([^#]*))?/.exec(content);
  if (!/^https?$/i.test(scheme)) {
    refuse("Only http and https links are read.");
  }
  if (!/^[\x21-\x7e]*$/.test(content) || !hostOf(host ?? "")) {
    refuse("The link is malformed.");
  }
  const asked = queryOf(query ?? "");
  const names = asked.map(([name]) => name).filter((name) => /^[0-9]{2,4}$/.test(name));
  if (new Set(names).size !== names.length) {
    throw new Refused(
      "scan_ambiguous",
      "The link gives one element twice. Scan the code that names one thing.",
    );
  }
  for (const name of PATH_ONLY) {
    if (names.includes(name)) {
      refuse(`The link gives element (${name}) outside its path.`);
    }
  }
  const elements = elementsOfPath(path);
  for (const [name, value] of asked) {
    if (IDENTIFIERS.has(name)) {
      elements.push(whole(name, value, NO_KEY));
    }
  }
  return elements;
}

const NO_KEY = "The link holds no GS1 key that can be read.";

function elementsOfPath(path) {
  const segments = path.split("/");
  const begin = segments.findIndex((segment) => Object.hasOwn(QUALIFIERS, segment));
  const parts = begin < 0 ? [] : segments.slice(begin).map(decoded);
  if (!parts.length || parts.length % 2) {
    refuse(NO_KEY);
  }
  const [first, value] = parts;
  const elements = [whole(first, first === "01" ? value.padStart(14, "0") : value, NO_KEY)];
  let expected = QUALIFIERS[first];
  for (let index = 2; index < parts.length; index += 2) {
    const place = expected.indexOf(parts[index]);
    if (place < 0) {
      refuse(NO_KEY);
    }
    expected = expected.slice(place + 1);
    elements.push(whole(parts[index], parts[index + 1], NO_KEY));
  }
  if (first === "01" && !GTIN_SPELLINGS.test(value)) {
    refuse("The GTIN in the link has neither 8, 12, 13 nor 14 digits.");
  }
  return elements;
}

/** Return the host of an authority, blank if it has none that can be. */
function hostOf(authority) {
  const place = authority.slice(authority.lastIndexOf("@") + 1);
  if (/[[\]]/.test(place)) {
    return /^\[[0-9A-Fa-f:.]+\](?::[0-9]*)?$/.test(place) ? place : "";
  }
  return place.split(":", 1)[0];
}

/** Return (name, value) pairs of a query, blank values left out. */
function queryOf(query) {
  return query
    .split("&")
    .filter((part) => part.includes("="))
    .map((part) => {
      const cut = part.indexOf("=");
      const text = (some) => decoded(some.replaceAll("+", " "));
      return [text(part.slice(0, cut)), text(part.slice(cut + 1))];
    })
    .filter(([, value]) => value);
}

/** Return percent-decoded text; what is no UTF-8 becomes a character that no key holds. */
function decoded(text) {
  try {
    return decodeURIComponent(text.replace(/%(?![0-9A-Fa-f]{2})/g, "%25"));
  } catch {
    return text.replace(/%[0-9A-Fa-f]{2}/g, "\ufffd");
  }
}

function fromElements(elements, source) {
  const pairs = [...new Map(elements.map((pair) => [pair.join("\n"), pair])).values()];
  const values = new Map(pairs);
  for (const [identifier, value] of pairs) {
    if (!SET_82.test(value)) {
      refuse(`Element (${identifier}) holds a character outside GS1 character set 82.`);
    }
    if (Object.hasOwn(CHECKED_DIGITS, identifier)) {
      requireCheckDigit(value.slice(0, CHECKED_DIGITS[identifier]));
    }
  }
  if (values.size !== pairs.length) {
    refuseAmbiguous("The code gives two values for one element.");
  }
  requireCompany(values);
  const primary = pairs.filter(([identifier]) => Object.hasOwn(PRIMARY_KINDS, identifier));
  if (!primary.length) {
    refuse("The code names no place, product or asset.");
  }
  if (primary.length > 1) {
    refuseAmbiguous(`The code names several things: ${primary.map(([name]) => `(${name})`).join(", ")}.`);
  }
  const [[identifier, value]] = primary;
  const kind = PRIMARY_KINDS[identifier];
  if (kind === "grai" && value.length === CHECKED_DIGITS[8003]) {
    refuseAmbiguous("The code names a type of asset and no single one, because its serial is missing.");
  }
  return { kind, value: keyOf(kind, value), source, serial: values.get("21") ?? "", elements: pairs };
}

function requireCompany(values) {
  for (const [identifier, required] of Object.entries(REQUIRED_BESIDE)) {
    if (values.has(identifier) && !required.some((other) => values.has(other))) {
      refuse(`Element (${identifier}) stands without (${required.join(") or (")}).`);
    }
  }
  for (const [identifier, excluded] of Object.entries(EXCLUDED_BESIDE)) {
    const other = excluded.find((name) => values.has(identifier) && values.has(name));
    if (other) {
      refuse(`Elements (${identifier}) and (${other}) contradict each other.`);
    }
  }
}

/** Return the canonical key; a shape that fails is a code that cannot be read. */
function keyOf(kind, value) {
  try {
    return KEYS[kind](value);
  } catch (error) {
    if (!(error instanceof Refused) || error.code === "check_invalid") {
      throw error;
    }
    throw new Refused("scan_invalid", error.message);
  }
}

const KEYS = {
  gln(text) {
    const digits = foldDigits(text, "scan");
    if (digits.length !== 13) {
      misshapen(`A GLN has 13 digits, this one has ${digits.length}.`);
    }
    return number(digits, digits);
  },
  gtin(text) {
    const digits = foldDigits(text, "scan");
    if (![8, 12, 13, 14].includes(digits.length)) {
      misshapen(`A GTIN has 8, 12, 13 or 14 digits, this one has ${digits.length}.`);
    }
    return number(digits, digits).padStart(14, "0");
  },
  grai(text) {
    const match = /^0([0-9]{13})([!%-?A-Z_a-z"]{0,16})$/.exec(text);
    if (!match) {
      misshapen("A GRAI is a 0, then 13 digits, then a serial of at most 16 characters.");
    }
    number(match[1]);
    if (!match[2]) {
      misshapen("Without a serial this GRAI names a type of asset and no single one.");
    }
    return text;
  },
  giai(text) {
    if (!/^[0-9]{4}[!%-?A-Z_a-z"]{1,26}$/.test(text)) {
      misshapen(
        "A GIAI has 5 to 30 characters without spaces and starts with the digits of a company prefix.",
      );
    }
    return text;
  },
};

function number(digits, answer = digits) {
  requireCheckDigit(digits);
  if (/^0*$/.test(digits)) {
    misshapen("A row of zeros is a placeholder and names nothing.");
  }
  return answer;
}

function requireCheckDigit(digits) {
  if (!isValid("gs1_mod_10", digits)) {
    throw new Refused(
      "check_invalid",
      `The check digit of ${digits} does not fit. Compare every digit with the label.`,
      { digits },
    );
  }
}

function misshapen(message) {
  throw new Refused("value_invalid", `${message} Compare it with the label.`);
}

function refuse(message) {
  throw new Refused("scan_invalid", `${message} Scan it again, or type the serial.`);
}

function refuseAmbiguous(message) {
  throw new Refused("scan_ambiguous", `${message} Scan the code that names one thing.`);
}
