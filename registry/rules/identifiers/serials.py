"""Serials of devices: the scheme a model declares, and whether what was typed is a serial of it."""

from dataclasses import dataclass

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers.check_methods import (
    ALPHABETS,
    CHECK_LENGTHS,
    DIGITS_AND_LETTERS,
    CheckMethod,
    check_characters,
    is_valid,
)
from registry.rules.identifiers.typed import fold

PAYLOAD_LENGTH_MAX = 30  # characters; the longest GS1 keys stop there, and nobody types more without slips
SERIAL_LENGTH_MAX = 40  # characters of prefix, payload and check: what the serial column holds


def _impossible(field: str, message: str) -> RuleBroken:
    return RuleBroken(Code.VALUE_INVALID, message, field=field)


@dataclass(frozen=True, slots=True)
class SerialScheme:
    """The serials of one device model: prefix, then payload, then check characters.

    `prefix` holds 0-9 and A-Z without separators (empty when there is none), `alphabet` the payload's
    characters, `payload_length` counts 1 to PAYLOAD_LENGTH_MAX of them. The check is computed over the
    payload, or over prefix and payload where `check_covers_prefix`. `example` is a serial as a label
    prints it, shown to people; it may hold separators.

    Raises RuleBroken VALUE_INVALID, naming the field, for a scheme that cannot be.
    """

    prefix: str
    alphabet: str
    payload_length: int
    check_method: CheckMethod
    example: str = ""
    check_covers_prefix: bool = False

    def __post_init__(self) -> None:
        if self.check_method not in ALPHABETS:
            raise _impossible("check_method", f"{self.check_method!r} is no check method. Choose one.")
        self._check_alphabet()
        self._check_prefix()
        if not 1 <= self.payload_length <= PAYLOAD_LENGTH_MAX:
            raise _impossible(
                "payload_length",
                f"A payload has 1 to {PAYLOAD_LENGTH_MAX} characters. "
                "Count those between the prefix and the check.",
            )
        if self.length > SERIAL_LENGTH_MAX:
            raise _impossible(
                "prefix",
                f"The whole serial would have {self.length} characters. "
                f"Shorten it to at most {SERIAL_LENGTH_MAX}.",
            )
        if self.example:
            self._check_example()

    def _check_alphabet(self) -> None:
        if not self.alphabet:
            raise _impossible("alphabet", "The alphabet is empty. List the characters the payload may hold.")
        if len(set(self.alphabet)) != len(self.alphabet):
            raise _impossible("alphabet", "The alphabet repeats a character. List each one once.")
        allowed = ALPHABETS[self.check_method].payload
        for character in self.alphabet:
            if character not in allowed:
                raise _impossible(
                    "alphabet",
                    f"The check method {self.check_method} cannot take {character!r}. "
                    f"Use only characters out of {allowed}.",
                )

    def _check_prefix(self) -> None:
        for character in self.prefix:
            if character not in DIGITS_AND_LETTERS:
                raise _impossible(
                    "prefix",
                    f"A prefix cannot hold {character!r}: it is kept in upper case without separators. "
                    "Write capital letters, without dashes and spaces.",
                )
        if not self.check_covers_prefix:
            return
        if self.check_method == CheckMethod.NONE:
            raise _impossible(
                "check_covers_prefix", "No check method is there to cover the prefix. Clear this."
            )
        allowed = ALPHABETS[self.check_method].payload
        for character in self.prefix:
            if character not in allowed:
                raise _impossible(
                    "check_covers_prefix",
                    f"{self.check_method} cannot take the {character!r} in the prefix. Clear this.",
                )

    def _check_example(self) -> None:
        try:
            accept(self, self.example)
        except RuleBroken as broken:
            raise RuleBroken(
                Code.VALUE_INVALID,
                f"The example is no serial of this scheme. {broken.message}",
                field="example",
                details=broken.details,
            ) from broken

    @property
    def check_length(self) -> int:
        """Return the number of check characters at the end: 0, 1 or 2."""
        return CHECK_LENGTHS[self.check_method]

    @property
    def length(self) -> int:
        """Return the number of characters of a whole serial."""
        return len(self.prefix) + self.payload_length + self.check_length

    @property
    def pattern(self) -> str:
        """Return an anchored regular expression of the canonical shape, without the check arithmetic.

        It is written in the part that Python, JSON Schema and the `pattern` attribute of HTML share. It
        describes the canonical text, so a form uses it after folding, not on what is being typed.
        """
        parts = [self.prefix, _character_class(self.alphabet), f"{{{self.payload_length}}}"]
        if self.check_length:
            parts += [_character_class(ALPHABETS[self.check_method].check), f"{{{self.check_length}}}"]
        return f"^{''.join(parts)}$"

    def characters_at(self) -> tuple[str, ...]:
        """Return, for each position of a serial, the characters that may stand there."""
        check = ALPHABETS[self.check_method].check
        return (*self.prefix, *[self.alphabet] * self.payload_length, *[check] * self.check_length)

    def complete(self, payload: str) -> str:
        """Return the serial of a payload: prefix, payload and the check computed over them.

        Raises ValueError for a payload of another length or with characters outside the alphabet.
        """
        if len(payload) != self.payload_length or not set(payload) <= set(self.alphabet):
            raise ValueError(f"{payload!r} is not {self.payload_length} characters out of {self.alphabet}.")
        text = self.prefix + payload
        return text + check_characters(self.check_method, self._covered(text))

    def check_fits(self, text: str) -> bool:
        """Tell whether the check at the end of a text of this scheme's shape is the right one."""
        return is_valid(self.check_method, self._covered(text))

    def _covered(self, text: str) -> str:
        """Return the part of a serial that the check is computed over, with the check itself if present."""
        return text if self.check_covers_prefix else text[len(self.prefix) :]


def _character_class(characters: str) -> str:
    """Return a regular expression class of the characters, runs of three and more as ranges."""
    runs: list[list[str]] = []
    for character in sorted(characters):
        if runs and ord(character) == ord(runs[-1][-1]) + 1:
            runs[-1].append(character)
        else:
            runs.append([character])
    spelled = [f"{run[0]}-{run[-1]}" if len(run) > 2 else "".join(run) for run in runs]
    return f"[{''.join(spelled)}]"


def normalise(typed: str) -> str:
    """Return a typed serial in upper case, without spaces and dashes, made of 0-9, A-Z and `*` only.

    Full-width letters and digits become plain ones. Nothing is guessed: an O stays an O. Raises
    RuleBroken TEXT_INVALID for a blank or over-long text and for any other character.
    """
    return fold(typed, field="serial")


def _refused(problem: str, message: str, **details: object) -> RuleBroken:
    return RuleBroken(Code.SERIAL_INVALID, message, field="serial", details={"problem": problem, **details})


def accept(scheme: SerialScheme, typed: str) -> str:
    """Return the canonical serial of what was typed, or refuse it by name.

    A serial typed without its prefix is refused (`missing_prefix`), not completed: were it completed, a
    serial with a lost character could pass as the short form of another one, and the length would no
    longer see omissions. `suggestions.nearest` offers the completed serial instead, for a person to pick.

    Raises RuleBroken TEXT_INVALID as `normalise` does, and SERIAL_INVALID with details["problem"] one of
    `missing_prefix`, `wrong_prefix`, `wrong_length`, `wrong_character` (with `position` from 1) and
    `wrong_check`. The right check is never told: a slip would then be made to fit.
    """
    text = normalise(typed)
    _require_shape(scheme, text)
    if not scheme.check_fits(text):
        raise _refused(
            "wrong_check",
            "The check at the end does not fit the rest, so at least one character is wrong. "
            "Compare each one with the label.",
        )
    return text


def _require_shape(scheme: SerialScheme, text: str) -> None:
    """Raise RuleBroken SERIAL_INVALID unless the folded text has the scheme's prefix, length and alphabet."""
    prefix = scheme.prefix
    if not text.startswith(prefix):
        if len(text) == scheme.length - len(prefix):
            raise _refused(
                "missing_prefix",
                f"The serial begins with {prefix}, which was left out. Type it whole, as the label shows it.",
                prefix=prefix,
            )
        raise _refused(
            "wrong_prefix",
            f"Serials of this model begin with {prefix}. Compare the beginning with the label, "
            "or choose the model the label names.",
            prefix=prefix,
        )
    if len(text) != scheme.length:
        amount = "too short" if len(text) < scheme.length else "too long"
        raise _refused(
            "wrong_length",
            f"The serial has {len(text)} characters where {scheme.length} belong, so it is {amount}. "
            "Compare it with the label.",
            length=len(text),
            expected_length=scheme.length,
        )
    for position, (character, allowed) in enumerate(zip(text, scheme.characters_at(), strict=True), start=1):
        if character not in allowed:
            raise _refused(
                "wrong_character",
                f"{character} cannot stand at position {position} of this serial. Compare it with the label.",
                character=character,
                position=position,
            )
