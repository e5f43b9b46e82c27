// Check characters, as the register computes them (registry/rules/identifiers/check_methods.py).

const DIGITS = "0123456789";
const ALL = DIGITS + "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/** What each method takes as payload, what its check may be made of, and how long that is. */
export const METHODS = {
  none: { payload: ALL, check: "", length: 0 },
  luhn: { payload: DIGITS, check: DIGITS, length: 1 }, // ISO/IEC 7812-1 annex B
  gs1_mod_10: { payload: DIGITS, check: DIGITS, length: 1 }, // GS1 General Specifications section 7.9
  damm: { payload: DIGITS, check: DIGITS, length: 1 }, // Damm 2004, quasigroup of order 10
  verhoeff: { payload: DIGITS, check: DIGITS, length: 1 }, // Verhoeff 1969
  iso7064_mod_11_2: { payload: DIGITS, check: DIGITS + "X", length: 1 }, // ISO/IEC 7064:2003 clause 7
  iso7064_mod_37_2: { payload: ALL, check: ALL + "*", length: 1 }, // clause 7
  iso7064_mod_97_10: { payload: ALL, check: DIGITS, length: 2 }, // clause 8, letters as in ISO 13616
  iso7064_mod_11_10: { payload: DIGITS, check: DIGITS, length: 1 }, // clause 10
  iso7064_mod_37_36: { payload: ALL, check: ALL, length: 1 }, // clause 10
};

// Row: the digit so far; column: the next digit.
const DAMM = [
  "0317598642", "7092154863", "4206871359", "1750983426", "6123045978",
  "3674209581", "5869720134", "8945362017", "9438617205", "2581436790",
];
// The dihedral group of order 10, and what becomes of a digit by its place (counted from the right).
const DIHEDRAL = [
  "0123456789", "1234067895", "2340178956", "3401289567", "4012395678",
  "5987604321", "6598710432", "7659821043", "8765932104", "9876543210",
];
const INVERSE = "0432156789";
const PLACES = [
  "0123456789", "1576283094", "5803796142", "8916043527", "9453126870", "4286573901", "2793806415", "7046913258",
];

const CALCULATE = {
  none: () => "",
  luhn: (text) => tens(text, (digit, index) => (index % 2 ? digit : Math.floor((digit * 2) / 10) + ((digit * 2) % 10))),
  gs1_mod_10: (text) => tens(text, (digit, index) => (index % 2 ? digit : digit * 3)),
  damm: (text) => String([...text].reduce((so_far, digit) => Number(DAMM[so_far][Number(digit)]), 0)),
  verhoeff,
  iso7064_mod_11_2: (text) => pure(text, 11, METHODS.iso7064_mod_11_2.check),
  iso7064_mod_37_2: (text) => pure(text, 37, METHODS.iso7064_mod_37_2.check),
  iso7064_mod_97_10: ninety_seven,
  iso7064_mod_11_10: (text) => hybrid(text, 10, DIGITS),
  iso7064_mod_37_36: (text) => hybrid(text, 36, ALL),
};

/** Return the check of a payload; throws RangeError for an empty one and for a character that it cannot take. */
export function checkCharacters(method, payload) {
  const known = METHODS[method];
  if (!known) {
    throw new RangeError(`${method} is no check method.`);
  }
  if (payload === "") {
    throw new RangeError(`The payload is empty; ${method} needs at least one character.`);
  }
  for (const character of payload) {
    if (!known.payload.includes(character)) {
      throw new RangeError(`${character} is outside the alphabet of ${method}.`);
    }
  }
  return CALCULATE[method](payload);
}

/** Tell whether a text is a payload followed by its own check, which is computed again and compared. */
export function isValid(method, text) {
  const cut = text.length - METHODS[method].length;
  try {
    return cut >= 0 && checkCharacters(method, text.slice(0, cut)) === text.slice(cut);
  } catch (error) {
    if (error instanceof RangeError) {
      return false;
    }
    throw error;
  }
}

/** Return what makes the weighted sum of digits, the last one first, a multiple of ten. */
function tens(text, weigh) {
  const sum = [...text].reverse().reduce((so_far, digit, index) => so_far + weigh(Number(digit), index), 0);
  return String((10 - (sum % 10)) % 10);
}

function verhoeff(text) {
  const sum = [...text]
    .reverse()
    .reduce((so_far, digit, index) => Number(DIHEDRAL[so_far][Number(PLACES[(index + 1) % 8][Number(digit)])]), 0);
  return INVERSE[sum];
}

/** ISO/IEC 7064 pure systems with radix 2 and one check character. */
function pure(text, modulus, alphabet) {
  const sum = [...text].reduce((so_far, character) => ((so_far + alphabet.indexOf(character)) * 2) % modulus, 0);
  return alphabet[(modulus + 1 - sum) % modulus];
}

function ninety_seven(text) {
  const number = [...text].map((character) => String(ALL.indexOf(character))).join("");
  const rest = [...`${number}00`].reduce((so_far, digit) => (so_far * 10 + Number(digit)) % 97, 0);
  return String(98 - rest).padStart(2, "0");
}

/** ISO/IEC 7064 hybrid systems MOD m+1, m. */
function hybrid(text, modulus, alphabet) {
  const product = [...text].reduce((so_far, character) => {
    const sum = (so_far + alphabet.indexOf(character)) % modulus || modulus;
    return (sum * 2) % (modulus + 1);
  }, modulus);
  return alphabet[(modulus + 1 - product) % modulus];
}
