"""The check methods written down a second time, from their definitions, so that no test is circular.

Nothing here imports python-stdnum or our own code. Each function takes a payload and returns its check.
"""

DIGITS = "0123456789"
DIGITS_AND_LETTERS = DIGITS + "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def luhn(payload: str) -> str:
    """ISO/IEC 7812-1 annex B: from the right, double every second digit beginning with the first."""
    total = 0
    for place, digit in enumerate(reversed(payload)):
        doubled = int(digit) * (2 if place % 2 == 0 else 1)
        total += doubled // 10 + doubled % 10
    return str(-total % 10)


def gs1_mod_10(payload: str) -> str:
    """GS1 General Specifications section 7.9: weights 3, 1, 3, ... from the right, up to the next ten."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(payload)))
    return str(-total % 10)


# Damm 2004: the totally anti-symmetric quasigroup of order 10 in common use (the table is from memory;
# a test shows the properties that the method rests on).
DAMM_TABLE = (
    (0, 3, 1, 7, 5, 9, 8, 6, 4, 2),
    (7, 0, 9, 2, 1, 5, 4, 8, 6, 3),
    (4, 2, 0, 6, 8, 7, 1, 3, 5, 9),
    (1, 7, 5, 0, 9, 8, 3, 4, 2, 6),
    (6, 1, 2, 3, 0, 4, 5, 9, 7, 8),
    (3, 6, 7, 4, 2, 0, 9, 5, 8, 1),
    (5, 8, 6, 9, 7, 2, 0, 1, 3, 4),
    (8, 9, 4, 5, 3, 6, 2, 0, 1, 7),
    (9, 4, 3, 8, 6, 1, 7, 2, 0, 5),
    (2, 5, 8, 1, 4, 3, 6, 7, 9, 0),
)


def damm(payload: str) -> str:
    """Damm 2004: chain the digits through the quasigroup; as its diagonal is 0, the end is the check."""
    state = 0
    for digit in payload:
        state = DAMM_TABLE[state][int(digit)]
    return str(state)


def dihedral_product(left: int, right: int) -> int:
    """The group D5 on 0-9: 0 to 4 turn a pentagon, 5 to 9 turn it over (Verhoeff 1969)."""
    if left < 5:
        return (left + right) % 5 + (5 if right >= 5 else 0)
    return (left - right) % 5 + (5 if right < 5 else 0)


VERHOEFF_PERMUTATION = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)  # Verhoeff 1969, from memory; applied once per place


def verhoeff(payload: str) -> str:
    """Verhoeff 1969: the product of the permuted digits, from the right, is the group's neutral element."""
    state = 0
    for place, digit in enumerate(reversed(payload), start=1):
        value = int(digit)
        for _ in range(place % 8):  # the permutation has order 8
            value = VERHOEFF_PERMUTATION[value]
        state = dihedral_product(state, value)
    return next(str(check) for check in range(10) if dihedral_product(check, state) == 0)


def pure_system(payload: str, modulus: int, radix: int, characters: str) -> str:
    """ISO/IEC 7064 clause 6 and 7: the sum of value times radix to the power of the place is 1.

    Place 0 is the check character at the right.
    """
    total = sum(
        characters.index(character) * radix**place for place, character in enumerate(payload[::-1], 1)
    )
    return next(characters[check] for check in range(modulus) if (total + check) % modulus == 1)


def mod_11_2(payload: str) -> str:
    return pure_system(payload, 11, 2, DIGITS + "X")


def mod_37_2(payload: str) -> str:
    return pure_system(payload, 37, 2, DIGITS_AND_LETTERS + "*")


def mod_97_10(payload: str) -> str:
    """ISO/IEC 7064 clause 8: the whole number is 1 modulo 97; letters count as 10 to 35 (ISO 13616).

    The check lies from 02 to 98.
    """
    number = "".join(str(DIGITS_AND_LETTERS.index(character)) for character in payload)
    return next(f"{check:02d}" for check in range(2, 99) if int(f"{number}{check:02d}") % 97 == 1)


def hybrid_step(product: int, value: int, modulus: int) -> tuple[int, int]:
    """ISO/IEC 7064 clause 9: the sum, and the next product; a sum of 0 counts as the modulus."""
    total = (product + value) % modulus
    return total, (total or modulus) * 2 % (modulus + 1)


def hybrid_system(payload: str, modulus: int, characters: str) -> str:
    product = modulus
    for character in payload:
        _total, product = hybrid_step(product, characters.index(character), modulus)
    return next(characters[check] for check in range(modulus) if (product + check) % modulus == 1)


def mod_11_10(payload: str) -> str:
    return hybrid_system(payload, 10, DIGITS)


def mod_37_36(payload: str) -> str:
    return hybrid_system(payload, 36, DIGITS_AND_LETTERS)


DEFINITIONS = {
    "none": lambda payload: "",
    "luhn": luhn,
    "gs1_mod_10": gs1_mod_10,
    "damm": damm,
    "verhoeff": verhoeff,
    "iso7064_mod_11_2": mod_11_2,
    "iso7064_mod_37_2": mod_37_2,
    "iso7064_mod_97_10": mod_97_10,
    "iso7064_mod_11_10": mod_11_10,
    "iso7064_mod_37_36": mod_37_36,
}
