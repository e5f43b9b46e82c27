"""Samples: how many to draw, which ones, and what the number found wrong says about all of them.

Everything is counted in whole numbers, so that nobody's floating point decides a sample size. Rates and
confidence are in hundredths of a percent (500 is 5 %), limits in parts per million, rounded outward.
"""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from fractions import Fraction
from hashlib import sha256
from heapq import heapify, heapreplace
from math import comb

from registry.rules.errors import Code, RuleBroken

WHOLE = 10_000  # hundredths of a percent
MILLION = 1_000_000
SAMPLE_MAX = 500  # things in one sample: its entry stays below about half a megabyte
CONFIDENCE_MIN, CONFIDENCE_MAX = 5_000, 9_999  # hundredths of a percent
TOLERATED_MIN, TOLERATED_MAX = 10, 5_000  # hundredths of a percent

# ISO 2859-1 (the same figures as MIL-STD-105E), single sampling, normal inspection, general inspection
# level II, with its arrows followed: by lot size (least, most), AQL to (sample size, acceptance number).
AQL_PLANS: dict[tuple[int, int], dict[int, tuple[int, int]]] = {
    (26, 50): {100: (13, 0), 150: (8, 0), 250: (5, 0), 400: (13, 1)},
    (51, 90): {100: (13, 0), 150: (8, 0), 250: (20, 1), 400: (13, 1)},
    (91, 150): {100: (13, 0), 150: (32, 1), 250: (20, 1), 400: (20, 2)},
    (151, 280): {100: (50, 1), 150: (32, 1), 250: (32, 2), 400: (32, 3)},
    (281, 500): {100: (50, 1), 150: (50, 2), 250: (50, 3), 400: (50, 5)},
    (501, 1_200): {100: (80, 2), 150: (80, 3), 250: (80, 5), 400: (80, 7)},
    (1_201, 3_200): {100: (125, 3), 150: (125, 5), 250: (125, 7), 400: (125, 10)},
}
AQLS = (100, 150, 250, 400)


class Rounding(StrEnum):
    """How a rate becomes a number of things, where it is not whole."""

    DOWN = "down"  # the cautious one: it asks for the larger sample
    UP = "up"


def wrong_in_lot(lot_size: int, tolerated_hundredths: int, rounding: Rounding) -> int:
    """Return how many of a lot are that rate of it; at least one, because less cannot be wrong."""
    down, rest = divmod(lot_size * tolerated_hundredths, WHOLE)
    return max(1, down + (1 if rest and rounding is Rounding.UP else 0))


# --- how many to draw --------------------------------------------------------------------------------


def chance_of_at_most(found: int, lot_size: int, wrong: int, sample_size: int) -> Fraction:
    """Return the chance that a simple random sample holds at most `found` of the wrong (hypergeometric)."""
    ways = sum(comb(wrong, k) * comb(lot_size - wrong, sample_size - k) for k in range(found + 1))
    return Fraction(ways, comb(lot_size, sample_size))


def smallest_sample(lot_size: int, wrong: int, confidence_hundredths: int, accepted: int = 0) -> int:
    """Return the smallest sample of which at most `accepted` are wrong with no more than the chance left.

    If `wrong` of the lot are wrong, the sample shows more than `accepted` of them with this confidence.
    Raises ValueError where not even counting all of them would.
    """
    if not accepted < wrong <= lot_size:
        raise ValueError("a sample cannot show more wrong ones than there are")
    left = Fraction(WHOLE - confidence_hundredths, WHOLE)
    sizes = range(accepted + 1, lot_size + 1)
    return sizes[bisect_left(sizes, -left, key=lambda n: -chance_of_at_most(accepted, lot_size, wrong, n))]


def smallest_sample_of_many(tolerated_hundredths: int, confidence_hundredths: int) -> int:
    """Return the sample that is enough however large the lot: the smallest n with (1 - p)^n <= 1 - c."""
    right, size = WHOLE - tolerated_hundredths, 1
    while right**size * WHOLE > (WHOLE - confidence_hundredths) * WHOLE**size:
        size += 1
    return size


def zero_acceptance_sample(sizes: Mapping[str, int], wrong: int, confidence_hundredths: int) -> int:
    """Return the smallest sample, allocated over strata, that shows one of the wrong with this confidence.

    However the wrong ones lie over the strata: of one stratum it is the hypergeometric sample, of several
    it may be a little more, because a proportional sample misses what is spread evenly over many strata
    a little more often than a simple one does. At least one of each stratum.
    """
    left = Fraction(WHOLE - confidence_hundredths, WHOLE)
    lot_size = sum(sizes.values())
    sample = max(len(sizes), smallest_sample(lot_size, wrong, confidence_hundredths))
    while chance_of_missing(sizes, allocate(sizes, sample), wrong) > left:
        sample += 1
    return sample


def chance_of_missing(sizes: Mapping[str, int], sample: Mapping[str, int], wrong: int) -> Fraction:
    """Return the greatest chance that none of `wrong` things is drawn, however they lie over the strata.

    Within a stratum of N from which n are drawn, the x-th wrong one is missed with (N - n - x + 1) /
    (N - x + 1). That falls with x, so giving each next one to the stratum where it is missed most often
    gives the greatest product.
    """
    chance = Fraction(1)
    missed = [(-Fraction(size - sample[name], size), name, 0) for name, size in sizes.items()]
    heapify(missed)
    for _ in range(wrong):
        factor, name, lying = missed[0]
        chance *= -factor
        if not chance:
            return chance
        right = sizes[name] - lying - 1
        left = Fraction(max(0, right - sample[name]), right) if right else Fraction(0)
        heapreplace(missed, (-left, name, lying + 1))
    return chance


def aql_plan(lot_size: int, aql_hundredths: int) -> tuple[int, int]:
    """Return sample size and acceptance number; a sample as large as the lot is the lot.

    Raises RuleBroken VALUE_INVALID for a lot or an AQL that the table does not have.
    """
    if aql_hundredths not in AQLS:
        told = ", ".join(rate_text(100 * aql) for aql in AQLS)
        raise RuleBroken(
            Code.VALUE_INVALID, f"The table has the AQLs {told}. Choose one of them.", field="tolerated"
        )
    for (least, most), plans in AQL_PLANS.items():
        if least <= lot_size <= most:
            size, accepted = plans[aql_hundredths]
            return min(size, lot_size), accepted
    least, most = min(low for low, _ in AQL_PLANS), max(high for _, high in AQL_PLANS)
    raise RuleBroken(
        Code.VALUE_INVALID,
        f"The table is for lots of {least} to {most}, and this one has {lot_size}. Use zero acceptance, or"
        " another part of the fleet.",
        field="plan",
    )


# --- which ones --------------------------------------------------------------------------------------


def allocate(sizes: Mapping[str, int], sample_size: int) -> dict[str, int]:
    """Return how many of each stratum: in proportion, by largest remainder, at least one of each.

    Equal remainders go by the strata's names. Raises ValueError for a sample larger than the lot or smaller
    than the number of strata, and for an empty stratum.
    """
    lot_size = sum(sizes.values())
    if not len(sizes) <= sample_size <= lot_size or not all(size > 0 for size in sizes.values()):
        raise ValueError("the sample does not go over the strata")
    quotas = {name: Fraction(sample_size * size, lot_size) for name, size in sorted(sizes.items())}
    given = {name: int(quota) for name, quota in quotas.items()}
    by_remainder = sorted(quotas, key=lambda name: (given[name] - quotas[name], name))
    for name in by_remainder[: sample_size - sum(given.values())]:
        given[name] += 1
    for name in quotas:
        if given[name] == 0:
            # From where most is above its share, so that the sample keeps its size.
            rich = max((other for other in quotas if given[other] > 1), key=lambda o: given[o] - quotas[o])
            given[rich] -= 1
            given[name] = 1
    return given


def draw(
    strata: Mapping[str, Sequence[str]], allocation: Mapping[str, int], seed: str
) -> dict[str, list[str]]:
    """Return the drawn keys of each stratum: those whose SHA-256 of "seed:key" is least, in that order.

    Anybody can repeat it with any program that computes SHA-256 of UTF-8 text; a key stands for one thing.
    """
    return {
        name: sorted(keys, key=lambda key: draw_number(seed, key))[: allocation[name]]
        for name, keys in strata.items()
    }


def draw_number(seed: str, key: str) -> str:
    """Return the number by which a key is drawn, as 64 hexadecimal digits."""
    return sha256(f"{seed}:{key}".encode()).hexdigest()


def lot_digest(lines: Iterable[str]) -> str:
    """Return the SHA-256 of a frozen list: its lines, sorted by code point, each ended by a newline."""
    return sha256("".join(f"{line}\n" for line in sorted(lines)).encode()).hexdigest()


# --- what the count says -----------------------------------------------------------------------------


def upper_limit_ppm(found: int, sample_size: int, confidence_hundredths: int) -> int:
    """Return the one-sided upper limit of the rate of wrong ones (Clopper and Pearson 1934), rounded up."""
    return _upper_ppm(found, sample_size, Fraction(WHOLE - confidence_hundredths, WHOLE))


def two_sided_limits_ppm(found: int, sample_size: int, confidence_hundredths: int) -> tuple[int, int]:
    """Return both limits of the rate of wrong ones, each leaving half of the chance that is left."""
    half = Fraction(WHOLE - confidence_hundredths, 2 * WHOLE)
    # The lower limit of those wrong is what the upper one leaves of those right.
    return MILLION - _upper_ppm(sample_size - found, sample_size, half), _upper_ppm(found, sample_size, half)


def _upper_ppm(found: int, sample_size: int, left: Fraction) -> int:
    """Return the least p, in parts per million, at which at most `found` are wrong with chance <= left."""
    if found >= sample_size:
        return MILLION
    return bisect_left(range(MILLION), True, key=lambda p: _tail(found, sample_size, p) <= left)


def _tail(found: int, sample_size: int, ppm: int) -> Fraction:
    """Return the exact binomial chance of at most `found` of `sample_size` at a rate in ppm."""
    right, power, ways = MILLION - ppm, 1, 0
    for k in range(found + 1):  # Horner's rule over the powers of `right`
        ways = ways * right + comb(sample_size, k) * power
        power *= ppm
    return Fraction(ways * right ** (sample_size - found), MILLION**sample_size)


def most_wrong(found: int, sample_size: int, lot_size: int, confidence_hundredths: int) -> int:
    """Return how many of a finite lot are wrong at most, with this confidence: the exact upper limit.

    The greatest number of wrong ones of which a simple sample shows at most `found` with a chance above
    what is left.
    """
    left = Fraction(WHOLE - confidence_hundredths, WHOLE)
    possible = range(found, lot_size - (sample_size - found) + 1)
    unlikely = bisect_left(
        possible,
        True,
        key=lambda wrong: chance_of_at_most(found, lot_size, wrong, sample_size) <= left,
    )
    return possible[unlikely - 1]


def rate_text(ppm: int) -> str:
    """Return a rate in parts per million as a percentage of at most four decimals: 50,000 is "5 %"."""
    whole, rest = divmod(ppm, 10_000)
    return f"{whole}.{rest:04d}".rstrip("0").rstrip(".") + " %"
