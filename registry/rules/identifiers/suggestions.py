"""The serials that somebody may have meant: edits of what was typed that pass the scheme's own check.

Candidates are generated from the text and tested for membership afterwards, so the cost depends on the
length of the serial and not on the stock.
"""

from collections.abc import Container, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations, islice, product

from registry.rules.identifiers.serials import SerialScheme, normalise


class SuggestionKind(StrEnum):
    """How a suggestion differs from what was typed."""

    EXACT = "exact"  # the typed serial itself
    CONFUSION = "confusion"  # look-alike characters taken for one another, one or several
    SWAP = "swap"  # two neighbours, or two characters around one, exchanged
    MISSING = "missing"  # one character, or the prefix, was left out
    EXTRA = "extra"  # one character too many, or the prefix twice
    SUBSTITUTION = "substitution"  # one wrong character


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A canonical serial and the slip that would turn it into what was typed."""

    serial: str
    kind: SuggestionKind


# Characters that people take for one another in print and handwriting. Common practice, no source.
LOOK_ALIKES = ("0ODQ", "1IL", "17", "2Z", "5S", "6G", "8B", "UV", "X*")

# Look-alikes changed at once beyond those that must change because they cannot stand where they were typed.
FREE_CONFUSIONS_MAX = 2
CONFUSIONS_MAX = 1_500  # texts tried for several confusions at once; a few milliseconds
# No more than 40 * 37 insertions, as many substitutions, 78 swaps, 41 deletions and the confusions above
# can arise for the longest serial, so this cuts nothing off; a database query may rely on it.
CANDIDATES_MAX = 5_000
LIMIT_MAX = 20  # suggestions shown to one person

_RANKS = {
    SuggestionKind.EXACT: 0,
    SuggestionKind.CONFUSION: 1,
    SuggestionKind.SWAP: 2,
    SuggestionKind.MISSING: 3,
    SuggestionKind.EXTRA: 3,
    SuggestionKind.SUBSTITUTION: 4,
}


def _similar_characters() -> dict[str, str]:
    """Return, for each character, those it may be taken for, in a fixed order."""
    similar: dict[str, str] = {}
    for group in LOOK_ALIKES:
        for character in group:
            similar[character] = similar.get(character, "") + group.replace(character, "")
    return similar


_SIMILAR = _similar_characters()


def nearest(typed: str, scheme: SerialScheme, assignable: Container[str], limit: int = 5) -> list[Suggestion]:
    """Return up to `limit` assignable serials one slip away from what was typed, likeliest first.

    `assignable` holds the canonical serials that this person could assign here; nothing else is ever
    returned, so the answer tells nothing about other stock. Every assignable serial that differs by one
    wrong, missing, extra or swapped character is found, unless more than `limit` are. Raises RuleBroken
    TEXT_INVALID as `normalise` does, and ValueError for a limit outside 1 to LIMIT_MAX.
    """
    if not 1 <= limit <= LIMIT_MAX:
        raise ValueError(f"The limit is {limit}; it must be 1 to {LIMIT_MAX}.")
    found = (candidate for candidate in candidates(typed, scheme) if candidate.serial in assignable)
    return list(islice(found, limit))


def candidates(typed: str, scheme: SerialScheme) -> Iterator[Suggestion]:
    """Yield every serial of the scheme one slip away from what was typed, likeliest first, each once.

    For a caller that asks a database which of them exist. All have the scheme's shape and a right check.
    Ranked exact, confusion, swap, missing and extra, substitution; equals in alphabetical order. At most
    CANDIDATES_MAX are yielded. Raises RuleBroken TEXT_INVALID as `normalise` does, at the first step.
    """
    kinds: dict[str, SuggestionKind] = {}
    for serial, kind in _edits(normalise(typed), scheme):
        known = kinds.get(serial)
        if (known is None or _RANKS[kind] < _RANKS[known]) and (known or _is_serial(serial, scheme)):
            kinds[serial] = kind
    ranked = sorted(kinds.items(), key=lambda item: (_RANKS[item[1]], item[0]))
    for serial, kind in ranked[:CANDIDATES_MAX]:
        yield Suggestion(serial, kind)


def _is_serial(text: str, scheme: SerialScheme) -> bool:
    places = scheme.characters_at()
    return (
        len(text) == len(places)
        and all(character in allowed for character, allowed in zip(text, places, strict=True))
        and scheme.check_fits(text)
    )


def _edits(text: str, scheme: SerialScheme) -> Iterator[tuple[str, SuggestionKind]]:
    """Yield texts near the typed one, most of them no serials, with repetitions."""
    yield from _edits_of(text, scheme, SuggestionKind.EXACT)
    prefix = scheme.prefix
    # The prefix was left out, or typed before one that was there already; perhaps one more slip was made.
    if prefix and len(text) < scheme.length:
        yield from _edits_of(prefix + text, scheme, SuggestionKind.MISSING)
    if prefix and text.startswith(prefix + prefix):
        yield from _edits_of(text.removeprefix(prefix), scheme, SuggestionKind.EXTRA)


def _edits_of(
    text: str, scheme: SerialScheme, unchanged: SuggestionKind
) -> Iterator[tuple[str, SuggestionKind]]:
    places = scheme.characters_at()
    if len(text) == len(places):
        yield text, unchanged
        swaps = dict.fromkeys(_swaps(text))
        yield from ((edit, SuggestionKind.SWAP) for edit in swaps)
        # Two look-alikes exchanged for one another, as in 17 and 71, are one swap and not two confusions.
        yield from (
            (edit, SuggestionKind.CONFUSION) for edit in _confusions(text, places) if edit not in swaps
        )
        yield from ((edit, SuggestionKind.SUBSTITUTION) for edit in _substitutions(text, places))
    elif len(text) == len(places) - 1:
        yield from ((edit, SuggestionKind.MISSING) for edit in _insertions(text, places))
    elif len(text) == len(places) + 1:
        yield from ((edit, SuggestionKind.EXTRA) for edit in _deletions(text))


def _misplaced(text: str, places: tuple[str, ...]) -> list[int]:
    """Return the positions (from 0) whose character cannot stand there."""
    return [index for index, allowed in enumerate(places) if text[index] not in allowed]


def _confusions(text: str, places: tuple[str, ...]) -> Iterator[str]:
    """Yield at most CONFUSIONS_MAX texts with look-alikes exchanged, few exchanges first.

    Every misplaced character changes. Beyond those up to FREE_CONFUSIONS_MAX others may, or all
    occurrences of one character at once, as when somebody always writes O for 0.
    """
    options = [
        [other for other in _SIMILAR.get(character, "") if other in allowed]
        for character, allowed in zip(text, places, strict=True)
    ]
    forced = _misplaced(text, places)
    free = [index for index, others in enumerate(options) if others and index not in forced]

    def exchanged() -> Iterator[str]:
        if forced:
            for forced_others in product(*[options[index] for index in forced]):
                yield _replaced(text, dict(zip(forced, forced_others, strict=True)))
        for forced_others in product(*[options[index] for index in forced]):
            settled = _replaced(text, dict(zip(forced, forced_others, strict=True)))
            for change in _free_changes(text, free, options):
                yield _replaced(settled, change)

    yield from islice(exchanged(), CONFUSIONS_MAX)


def _free_changes(text: str, free: list[int], options: list[list[str]]) -> Iterator[dict[int, str]]:
    """Yield exchanges of look-alikes as {position: character}: one, all of a kind, then several."""
    for index in free:
        yield from ({index: other} for other in options[index])
    for character in sorted({text[index] for index in free}):
        together = [index for index in free if text[index] == character]
        for other in _SIMILAR[character]:
            if len(together) > FREE_CONFUSIONS_MAX and all(other in options[index] for index in together):
                yield dict.fromkeys(together, other)
    for count in range(2, FREE_CONFUSIONS_MAX + 1):
        for chosen in combinations(free, count):
            for others in product(*[options[index] for index in chosen]):
                yield dict(zip(chosen, others, strict=True))


def _replaced(text: str, change: dict[int, str]) -> str:
    """Return the text with the characters at the given positions (from 0) exchanged."""
    return "".join(change.get(index, character) for index, character in enumerate(text))


def _swaps(text: str) -> Iterator[str]:
    """Yield the texts with two neighbours, or two characters around one, exchanged."""
    for distance in (1, 2):
        for index in range(len(text) - distance):
            other = index + distance
            if text[index] != text[other]:
                yield text[:index] + text[other] + text[index + 1 : other] + text[index] + text[other + 1 :]


def _substitutions(text: str, places: tuple[str, ...]) -> Iterator[str]:
    """Yield the texts with one character exchanged for another that may stand there."""
    misplaced = _misplaced(text, places)
    if len(misplaced) > 1:
        return
    for index in misplaced or range(len(text)):
        for character in places[index]:
            if character != text[index]:
                yield text[:index] + character + text[index + 1 :]


def _insertions(text: str, places: tuple[str, ...]) -> Iterator[str]:
    for index, allowed in enumerate(places):
        for character in allowed:
            yield text[:index] + character + text[index:]


def _deletions(text: str) -> Iterator[str]:
    for index in range(len(text)):
        yield text[:index] + text[index + 1 :]
