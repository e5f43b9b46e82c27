"""Check a bundle of Rimebook offline: what holds, what does not, and what cannot be told from it.

    python3 verify_bundle.py BUNDLE [--public-key HEX_OR_FILE] [--checkpoint FILE] [--json]

It needs Python 3.11 or newer and the package cryptography, and nothing of the register. Give it the
public keys that you got another way than with the bundle, and the checkpoints that you kept.
Exit status: 0 all that can be checked holds, 1 something does not hold, 2 a file cannot be read,
3 nothing contradicts, but no proof joins the checkpoints, so that what was asked for cannot be told.
Limits: 64 MiB a file, whole numbers up to 2^53 - 1, and Python's own depth of nesting.
"""

import argparse
import json
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Any

try:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
except ImportError:
    sys.stderr.write("This program needs the Python package cryptography.\n")
    sys.exit(2)

FILE_BYTES_MAX = 64 * 1024 * 1024
INTEGER_MAX = 2**53 - 1
LABEL_MAX = 80  # characters of a label or verb that are shown

# The forms, as `take` reads them. Times of this one form have the order of their texts.
HASH, SIGNATURE = re.compile("[0-9a-f]{64}"), re.compile("[0-9a-f]{128}")
UUID = re.compile("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
TIME = re.compile("[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}[.][0-9]{6}Z")
RECORD = {"at": TIME, "form": "rimebook-checkpoint-1", "register": UUID, "root": HASH, "size": int}
CHECKPOINT = {"record": str, "signature": SIGNATURE, "public_key": HASH}
THING = {"kind": str, "id": UUID, "label": str}
BUNDLE = {
    "form": "rimebook-bundle-1",
    "about": str,
    "subject": (THING, None),
    "checkpoints": [CHECKPOINT],
    "entries": [{"index": int, "body": str, "size": int, "path": [HASH]}],
    "consistency": [{"from": int, "to": int, "path": [HASH]}],
}
BODY = {"index": int, "id": UUID, "recorded_at": TIME, "verb": str, "subjects": [{"part": str, **THING}]}


class Report(list[dict[str, Any]]):
    """What was found, in order: whether it holds (None: cannot be told), which check, in words."""

    def add(self, holds: bool | None, code: str, words: str) -> None:
        """Add a finding. What is not printable is written out, so that no text of a bundle ends a line."""
        shown = "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in words)
        self.append({"holds": holds, "code": code, "words": shown[:1].upper() + shown[1:]})

    @property
    def status(self) -> int:
        """The exit status. A missing proof is no success to who passed a checkpoint, nor an accusation."""
        if any(finding["holds"] is False for finding in self):
            return 1
        return 3 if any((each["holds"], each["code"]) == (None, "linked") for each in self) else 0

    @property
    def end(self) -> str:
        """The last line, which says how much is open, so that nobody takes it for more than it is."""
        missing = "NOT SHOWN: that the checkpoints are of one history. Nothing here contradicts it."
        said = {0: "All that can be checked here holds.", 1: "NOT ALL OF IT HOLDS.", 3: missing}
        codes = [finding["code"] for finding in self if finding["holds"] is None]
        if not codes:
            return said[self.status]
        whose = ", among them whose key it is" if "key" in codes else ""
        things = f"{len(codes)} thing{'s' if len(codes) > 1 else ''}"
        return f"{said[self.status]} {things} cannot be told{whose}."


@dataclass(frozen=True)
class Checkpoint:
    """A signed state of the ledger: the members of its record, and whether it is one that was kept."""

    at: str
    form: str
    register: str
    root: str
    size: int
    kept: bool

    def __str__(self) -> str:
        return f"the checkpoint of size {self.size} of {self.at[:19]}Z{' that you kept' if self.kept else ''}"


@dataclass(frozen=True)
class Entry:
    """An entry: what its body says of itself, its leaf hash, and the labels of what it names."""

    index: int
    id: str
    recorded_at: str
    verb: str
    leaf: str
    named: dict[tuple[str, str], str]  # kind and id: label

    def __str__(self) -> str:
        return f"entry {self.index} of {self.recorded_at[:10]} ({self.verb[:LABEL_MAX]})"


# --- reading: strictly, because two readings of one text are two truths --------------------------------


def parse(text: str) -> Any:
    """Return the value of JSON without repeated or non-ASCII keys, fractions, or huge numbers.

    Raises ValueError otherwise, RecursionError where it is nested deeper than Python goes.
    """

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(dict(pairs)) != len(pairs) or not all(key.isascii() for key, _ in pairs):
            raise ValueError("an object has a key twice, or one that is not ASCII")
        return dict(pairs)

    def whole(digits: str) -> int:
        if len(digits) > 17 or abs(int(digits)) > INTEGER_MAX:
            raise ValueError("a number is beyond 2^53 - 1")
        return int(digits)

    def other(digits: str) -> Any:
        raise ValueError(f"{digits[:20]} is no whole number")

    return json.loads(
        text, object_pairs_hook=unique, parse_int=whole, parse_float=other, parse_constant=other
    )


def take(value: Any, form: Any, where: str = "it", more: bool = False) -> Any:
    """Return `value` where it has the form: a type, a pattern, a text, an object, a list, or one of several.

    Raises ValueError otherwise, and for members that the form does not name unless `more` are allowed.
    """
    if isinstance(form, dict):
        names = value.keys() if type(value) is dict else set()
        if not (form.keys() <= names if more else form.keys() == names):
            raise ValueError(f"{where} must be an object with the members {', '.join(form)}")
        for name, inner in form.items():
            take(value[name], inner, f"{where}.{name}")
    elif isinstance(form, list):
        for position, item in enumerate(take(value, list, where)):
            take(item, form[0], f"{where}[{position}]")
    elif isinstance(form, tuple):
        return None if value is None else take(value, form[0], where)
    elif isinstance(form, type):
        if type(value) is not form:
            raise ValueError(f"{where} must be of type {form.__name__}")
    elif type(value) is not str or not re.fullmatch(form, value):
        raise ValueError(f"{where} must match {getattr(form, 'pattern', form)}")
    return value


def take_canonical(text: str, form: Any, more: bool = False) -> Any:
    """Return the value of canonical text (RFC 8785, restricted) where it has the form; raises ValueError."""
    value = take(parse(text), form, more=more)
    if json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False) != text:
        raise ValueError("it is not in canonical form")
    text.encode()  # raises UnicodeEncodeError, which is a ValueError, for a lone surrogate
    return value


def read_file(name: str) -> str:
    """Return the text of a file; raises OSError or ValueError."""
    try:
        with Path(name).open("rb") as file:
            data = file.read(FILE_BYTES_MAX + 1)
    except FileNotFoundError:
        raise ValueError("there is no such file here; look at its name and folder") from None
    if len(data) > FILE_BYTES_MAX:
        raise ValueError(f"it has more than {FILE_BYTES_MAX} bytes")
    return data.decode()


def read_key(name: str) -> str:
    """Return a public key that was given as such or as a file's name; raises OSError or ValueError."""
    given = name.strip().lower()
    if not HASH.fullmatch(given):
        if not Path(name).exists():
            raise ValueError(f"{name[:LABEL_MAX]} is neither a key of 64 hex digits nor a file")
        given = read_file(name).strip().lower()
    return str(take(given, HASH, "a public key"))


def read_json(name: str, form: Any, other: str, instead: str, more: bool = False) -> Any:
    """Return what a file of one form holds; raises OSError or ValueError.

    `instead` is told where it has the member `other`, by which a file of the other form is known.
    """
    value = parse(read_file(name))
    if type(value) is dict and other in value:
        raise ValueError(instead)
    return take(value, form, more=more)


# --- the tree: RFC 9162 section 2.1 --------------------------------------------------------------------


def node(left: str, right: str) -> str:
    """Return the hash of a node, in hex as all hashes here."""
    return sha256(b"\x01" + bytes.fromhex(left + right)).hexdigest()


def root_of(leaves: Sequence[str]) -> str:
    """Return the root over leaf hashes, at least one (section 2.1.1)."""
    level = list(leaves)
    while len(level) > 1:  # pairs; a last one without a partner goes up as it is
        pairs = [node(level[at], level[at + 1]) for at in range(0, len(level) - 1, 2)]
        level = pairs + level[2 * len(pairs) :]
    return level[0]


def climb(number: int, last: int, start: str, path: Sequence[str]) -> tuple[str, str] | None:
    """Follow a path from node `number` of 0 to `last` of a level up to the root.

    Returns the roots of the tree that ends with that node, and of the whole (the loops of sections 2.1.4.2
    and 2.1.3.2); None where the path has not the length that it must have.
    """
    old = new = start
    for sibling in path:
        if last == 0:
            return None
        if number % 2 or number == last:
            old, new = node(sibling, old), node(sibling, new)
            while number and number % 2 == 0:
                number, last = number // 2, last // 2
        else:
            new = node(new, sibling)
        number, last = number // 2, last // 2
    return (old, new) if last == 0 else None


def continues(first: Checkpoint, second: Checkpoint, path: Sequence[str]) -> bool:
    """Say whether a proof shows that the larger tree begins with the smaller one (section 2.1.4.2)."""
    if not first.size < second.size or not path:
        return False
    hashes = [first.root, *path] if first.size & (first.size - 1) == 0 else path
    number, last = first.size - 1, second.size - 1
    while number % 2:
        number, last = number // 2, last // 2
    return climb(number, last, hashes[0], hashes[1:]) == (first.root, second.root)


# --- checking ------------------------------------------------------------------------------------------


def check_checkpoint(report: Report, value: Any, keys: dict[str, str], kept: bool) -> Checkpoint | None:
    """Return a checkpoint that is well formed and signed by one of `keys` (hex: whose), or None."""
    try:
        found = Checkpoint(**take_canonical(value["record"], RECORD), kept=kept)
        if found.size < 1:
            raise ValueError("it signs no entry")
    except (ValueError, RecursionError) as error:
        report.add(False, "record", f"The record of a checkpoint cannot be taken: {error}.")
        return None
    for key, whose in keys.items():
        try:
            public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(key))
            public.verify(bytes.fromhex(value["signature"]), value["record"].encode())
        except (InvalidSignature, ValueError):
            continue
        report.add(True, "signature", f"{found} is signed by {whose}.")
        return found
    report.add(False, "signature", f"{found} is NOT signed by {whose}.")
    return None


def check_states(report: Report, states: list[Checkpoint]) -> None:
    """Check that checkpoints, from the smallest, are states of one register that only grew."""
    for before, state in pairwise(states):
        if state.register != before.register:
            report.add(False, "register", f"{state} is of ANOTHER REGISTER than {before}.")
        if state.at < before.at:
            words = f"{before} was made after {state}, yet signs fewer entries: ENTRIES WERE CUT OFF."
            report.add(False, "order", words)
        if state.size == before.size and state.root == before.root:
            report.add(True, "history", f"{before} and {state} have the same root: the same entries.")
        elif state.size == before.size:
            report.add(False, "history", f"TWO HISTORIES were signed, {before} and {state}.")


def check_proofs(report: Report, states: list[Checkpoint], proofs: list[dict[str, Any]]) -> None:
    """Check that the greatest checkpoint's ledger begins with that of every other."""
    top, by_size = states[-1], {state.size: state for state in states}
    shown = {top.size}  # sizes with which the greatest is shown to begin
    for proof in sorted(proofs, key=lambda each: -int(each["to"])):
        first, second = by_size.get(proof["from"]), by_size.get(proof["to"])
        name = f"The consistency proof from {proof['from']} to {proof['to']}"
        if not first or not second:
            report.add(None, "consistency", f"{name} joins no two checkpoints that hold: it tells nothing.")
        elif not continues(first, second, proof["path"]):
            report.add(False, "consistency", f"{name} does NOT join {first} and {second}.")
        elif second.size in shown:  # counted by its larger end only: two forks, too, begin alike
            shown.add(first.size)
    for size in sorted({*by_size} - {top.size}):
        state = by_size[size]
        words = f"the ledger of {top} begins with the {size} entries of {state}"
        if size in shown:
            report.add(True, "linked", f"It is shown that {words}.")
            continue
        kept = size if state.kept else top.size if top.kept else None
        again = f"the receipt with ?kept={kept}, or for " if kept else ""
        ask = f"ask the register for {again}the consistency proof from {size} to {top.size}."
        report.add(None, "linked", f"Whether {words} cannot be told; {ask}")


def check_entry(report: Report, value: dict[str, Any], by_size: dict[int, Checkpoint]) -> Entry | None:
    """Check that an entry is in the ledger that its checkpoint signs; return it where it can be read."""
    index, size, state = value["index"], value["size"], by_size.get(value["size"])
    try:
        body = take_canonical(value["body"], BODY, more=True)
    except (ValueError, RecursionError) as error:
        report.add(False, "body", f"The body of entry {index} cannot be taken: {error}.")
        return None
    named = {(part["kind"], part["id"]): part["label"] for part in body["subjects"]}
    leaf = sha256(b"\x00" + value["body"].encode()).hexdigest()
    entry = Entry(body["index"], body["id"], body["recorded_at"], body["verb"], leaf, named)
    if entry.index != index or not 1 <= index <= size:
        report.add(False, "index", f"What is shown as entry {index} of {size} says that it is {entry}.")
    elif state is None:
        report.add(False, "inclusion", f"Nothing proves {entry}: no checkpoint of size {size} holds here.")
    else:
        roots = climb(index - 1, size - 1, leaf, value["path"])
        holds = roots is not None and roots[1] == state.root
        words = f"in the ledger of {size} entries that the checkpoint of {state.at[:19]}Z signs."
        report.add(holds, "inclusion", f"{entry} is {'' if holds else 'NOT '}{words}")
        if entry.recorded_at > state.at:
            report.add(False, "time", f"{entry} was recorded LATER than {state} that signs it.")
        if index == 1 and entry.id != state.register:
            report.add(False, "register", f"{state} is of ANOTHER REGISTER than the one that {entry} began.")
    return entry


def check_order(report: Report, entries: list[Entry], states: list[Checkpoint]) -> None:
    """Check that entries, by index, rise in time; say whether any was left out, which only all can tell."""
    for before, entry in pairwise(entries):
        if entry.index == before.index:
            report.add(False, "index", f"{entry} stands there TWICE.")
        elif entry.recorded_at <= before.recorded_at:
            report.add(False, "time", f"{entry} was NOT recorded later than {before}.")
    leaves: list[str] = []  # as far as they are shown from 1 without a gap
    for entry in entries:
        leaves += [entry.leaf] if entry.index == len(leaves) + 1 else []
    for state in reversed(states):
        if state.size <= len(leaves):
            holds = root_of(leaves[: state.size]) == state.root
            words = f"All entries from 1 to {state.size} are shown, and they do {'' if holds else 'NOT '}make"
            report.add(holds, "whole", f"{words} the root of {state}.")
            return
    words = "Whether more entries about the same were left out cannot be told from a bundle that shows some;"
    report.add(None, "whole", f"{words} all entries of a checkpoint, from 1, would tell it by their root.")


def check_subject(report: Report, subject: dict[str, str], entries: list[Entry]) -> None:
    """Check that each entry names the subject, or something that belongs to it."""
    kind, wanted = subject["kind"], (subject["kind"], subject["id"])
    close = {wanted}  # and a location's cabinets, or the records that turned out to be a device
    for entry in reversed(entries):
        if kind == "location" and wanted in entry.named:
            close |= {thing for thing in entry.named if thing[0] == "cabinet"}
        if kind == "device" and entry.verb == "provisional.merged" and close & entry.named.keys():
            close |= {thing for thing in entry.named if thing[0] == "device"}
    labels = [entry.named[wanted] for entry in entries if wanted in entry.named]
    call = f'{kind[:LABEL_MAX]} "{(labels or [subject["id"]])[-1][:LABEL_MAX]}"'
    for entry in entries:
        if wanted not in entry.named and close & entry.named.keys():
            words = f"{entry} does not name {call}, but what another entry here names together with it;"
            report.add(None, "subject", f"{words} whether it belonged to it then cannot be told.")
        elif wanted not in entry.named:
            report.add(False, "subject", f"{entry} does NOT name {call}: it is foreign to this bundle.")
    if len(labels) == len(entries):
        report.add(True, "subject", f"Each of the {len(entries)} entries shown names {call}.")
    if subject["label"] not in labels:
        words = f'The bundle calls its subject "{subject["label"][:LABEL_MAX]}", as no entry shown here does.'
        report.add(None, "label", words)


def check(bundle: dict[str, Any], kept: list[dict[str, Any]], keys: list[str]) -> Report:
    """Check a bundle, beside the checkpoints that were kept and the keys that are known."""
    whose = "the key that you gave" if len(keys) == 1 else "one of the keys that you gave"
    report, given = Report(), dict.fromkeys(keys, whose)
    known = given or {value["public_key"]: "the key of a checkpoint that you kept" for value in kept}
    found = [check_checkpoint(report, value, known, True) for value in kept]
    for value in bundle["checkpoints"]:
        itself = {value["public_key"]: f"the key {value['public_key']}"}
        found.append(check_checkpoint(report, value, known or itself, False))
    if not known:
        words = "That key came with the bundle itself, so anybody may have made both;"
        report.add(None, "key", f"{words} give the one that you got another way with --public-key.")
    if not kept:
        words = "Whether whoever holds the key rewrote the register and signed it again cannot be told;"
        report.add(None, "kept", f"{words} give a checkpoint that you kept from before with --checkpoint.")
    states = sorted((state for state in found if state), key=lambda state: (state.size, state.at))
    if states:
        check_states(report, states)
        check_proofs(report, states, bundle["consistency"])
    states = [state for state in states if not state.kept]
    by_size = {state.size: state for state in states}
    read = [check_entry(report, value, by_size) for value in bundle["entries"]]
    if entries := sorted((entry for entry in read if entry), key=lambda entry: entry.index):
        check_order(report, entries, states)
        if bundle["subject"]:
            check_subject(report, bundle["subject"], entries)
    return report


def main() -> int:
    """Check what the command line names, tell what was found, and return the exit status."""
    parser = argparse.ArgumentParser(description="Check a bundle of Rimebook offline.")
    parser.add_argument("bundle", metavar="BUNDLE")
    several: dict[str, Any] = {"action": "append", "default": [], "help": "as often as you have some"}
    parser.add_argument("--public-key", metavar="HEX_OR_FILE", **several)
    parser.add_argument("--checkpoint", metavar="FILE", **several)
    parser.add_argument("--json", action="store_true", help="the findings as JSON")
    options = parser.parse_args()
    sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    name, keys, kept, report, status = options.bundle, [], [], Report(), 2
    try:
        is_checkpoint = "it is a checkpoint, not a bundle: give it with --checkpoint, after the bundle"
        bundle = read_json(name, BUNDLE, "record", is_checkpoint)
        if not bundle["checkpoints"]:
            raise ValueError("it holds no checkpoint")
        for name in options.checkpoint:
            is_bundle = "it is a bundle, not a checkpoint: give the file of the checkpoint that you kept"
            kept.append(read_json(name, CHECKPOINT, "checkpoints", is_bundle, more=True))
        for name in options.public_key:
            keys.append(read_key(name))
    except (OSError, ValueError, RecursionError) as error:
        report.add(False, "unreadable", f"Cannot read {name}: {error}.")
    else:
        report = check(bundle, kept, keys)
        status = report.status
    said = {True: "holds:          ", False: "DOES NOT HOLD:  ", None: "cannot be told: "}
    lines = [said[finding["holds"]] + finding["words"] for finding in report]
    end = "Nothing was checked." if status == 2 else report.end
    sys.stdout.write(json.dumps(report, indent=1) if options.json else "\n".join([*lines, end]))
    sys.stdout.write("\n")
    return status


if __name__ == "__main__":
    sys.exit(main())
