"""A second verifier, written from the README's section on the receipt alone.

It shares nothing with registry/static/registry/verify_bundle.py, so that the two agree only where the README
says what has to be said. It answers with the exit status that the README gives.
"""

import json
import re
from hashlib import sha256
from itertools import pairwise
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

HOLDS, FAILS, UNREADABLE, NOT_JOINED = 0, 1, 2, 3

Json = Any


class NotOfTheFormError(Exception):
    """Something that the format does not know."""


def strictly(text: str) -> Json:
    """Step 1: read JSON, refusing what could be read in two ways."""

    def members(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
        found: dict[str, Json] = {}
        for key, value in pairs:
            if key in found or any(ord(sign) > 127 for sign in key):
                raise NotOfTheFormError(key)
            found[key] = value
        return found

    def number(digits: str) -> int:
        if not re.fullmatch(r"-?\d{1,16}", digits) or not -(2**53) < int(digits) < 2**53:
            raise NotOfTheFormError(digits[:20])
        return int(digits)

    try:
        return json.loads(
            text, object_pairs_hook=members, parse_int=number, parse_float=number, parse_constant=number
        )
    except (json.JSONDecodeError, RecursionError) as error:
        raise NotOfTheFormError from error


def is_whole(value: Json) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def is_hex(value: Json, digits: int) -> bool:
    return isinstance(value, str) and len(value) == digits and set(value) <= set("0123456789abcdef")


def is_uuid(value: Json) -> bool:
    if not isinstance(value, str):
        return False
    groups = value.split("-")
    sizes = (8, 4, 4, 4, 12)
    return len(groups) == 5 and all(is_hex(group, size) for group, size in zip(groups, sizes, strict=True))


def is_time(value: Json) -> bool:
    return isinstance(value, str) and re.sub("[0-9]", "0", value) == "0000-00-00T00:00:00.000000Z"


def has(value: Json, names: str) -> bool:
    return isinstance(value, dict) and set(value) == set(names.split())


def is_path(value: Json) -> bool:
    return isinstance(value, list) and all(is_hex(digest, 64) for digest in value)


def is_checkpoint(value: Json, passed_over: bool = False) -> bool:
    names = {"record", "signature", "public_key"}
    return (
        isinstance(value, dict)
        and (names <= set(value) if passed_over else names == set(value))
        and isinstance(value["record"], str)
        and is_hex(value["signature"], 128)
        and is_hex(value["public_key"], 64)
    )


def is_entry(value: Json) -> bool:
    return (
        has(value, "index body size path")
        and is_whole(value["index"])
        and isinstance(value["body"], str)
        and is_whole(value["size"])
        and is_path(value["path"])
    )


def is_consistency(value: Json) -> bool:
    return (
        has(value, "from to path")
        and is_whole(value["from"])
        and is_whole(value["to"])
        and is_path(value["path"])
    )


def is_subject(value: Json) -> bool:
    if value is None:
        return True
    return has(value, "kind id label") and is_uuid(value["id"]) and texts(value, "kind label")


def texts(value: dict[str, Json], names: str) -> bool:
    return all(isinstance(value[name], str) for name in names.split())


def is_bundle(value: Json) -> bool:
    return (
        has(value, "form about subject checkpoints entries consistency")
        and value["form"] == "rimebook-bundle-1"
        and texts(value, "about")
        and is_subject(value["subject"])
        and all(isinstance(value[name], list) for name in ("checkpoints", "entries", "consistency"))
        and len(value["checkpoints"]) > 0
        and all(map(is_checkpoint, value["checkpoints"]))
        and all(map(is_entry, value["entries"]))
        and all(map(is_consistency, value["consistency"]))
    )


def canonical(text: str) -> Json:
    """Read canonical text."""
    value = strictly(text)
    try:
        text.encode()
        again = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    except (UnicodeEncodeError, RecursionError) as error:
        raise NotOfTheFormError from error
    if again != text:
        raise NotOfTheFormError("not canonical")
    return value


def record_of(text: str) -> dict[str, Json]:
    record: dict[str, Json] = canonical(text)
    if not (
        has(record, "at form register root size")
        and record["form"] == "rimebook-checkpoint-1"
        and is_time(record["at"])
        and is_uuid(record["register"])
        and is_hex(record["root"], 64)
        and is_whole(record["size"])
        and record["size"] >= 1
    ):
        raise NotOfTheFormError("no record")
    return record


def body_of(text: str) -> dict[str, Json]:
    body: dict[str, Json] = canonical(text)
    if not (
        isinstance(body, dict)
        and {"id", "index", "recorded_at", "subjects", "verb"} <= set(body)
        and is_uuid(body["id"])
        and is_whole(body["index"])
        and is_time(body["recorded_at"])
        and texts(body, "verb")
        and isinstance(body["subjects"], list)
        and all(
            has(part, "id kind label part") and is_uuid(part["id"]) and texts(part, "kind label part")
            for part in body["subjects"]
        )
    ):
        raise NotOfTheFormError("no body")
    return body


def is_signed(checkpoint: dict[str, str], keys: list[str]) -> bool:
    """Step 2: Ed25519 by one of the keys."""
    for key in keys:
        try:
            Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)).verify(
                bytes.fromhex(checkpoint["signature"]), checkpoint["record"].encode()
            )
        except InvalidSignature:
            continue
        return True
    return False


def digest(*parts: bytes) -> str:
    return sha256(b"".join(parts)).hexdigest()


def node(left: str, right: str) -> str:
    return digest(b"\x01", bytes.fromhex(left), bytes.fromhex(right))


def root_of(leaves: list[str]) -> str:
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while 2 * k < len(leaves):
        k = 2 * k
    return node(root_of(leaves[:k]), root_of(leaves[k:]))


def climb(number: int, last: int, start: str, path: list[str]) -> tuple[str, str] | None:
    """The README's climb, None where it fails."""
    old = new = start
    for each in path:
        if last == 0:
            return None
        if number % 2 == 1 or number == last:
            old, new = node(each, old), node(each, new)
            while number % 2 == 0 and number != 0:
                number, last = number // 2, last // 2
        else:
            new = node(new, each)
        number, last = number // 2, last // 2
    return None if last != 0 else (old, new)


def is_consistent(proof: dict[str, Json], old_root: str, new_root: str) -> bool:
    smaller, larger, path = proof["from"], proof["to"], proof["path"]
    if not smaller < larger or path == []:
        return False
    number, last = smaller - 1, larger - 1
    while number % 2 == 1:
        number, last = number // 2, last // 2
    if smaller.bit_count() == 1:
        path = [old_root, *path]
    return climb(number, last, path[0], path[1:]) == (old_root, new_root)


def grew_only(records: list[dict[str, Json]], proofs: list[dict[str, Json]]) -> tuple[bool, bool]:
    """Steps 3 and 4: whether nothing contradicts, and whether every size leads to the largest."""
    records = sorted(records, key=lambda record: (record["size"], record["at"]))
    times = [record["at"] for record in records]
    roots = {record["size"]: record["root"] for record in records}
    good = len({record["register"] for record in records}) <= 1 and times == sorted(times)
    good = good and len({(record["size"], record["root"]) for record in records}) == len(roots)
    known = [proof for proof in proofs if proof["from"] in roots and proof["to"] in roots]
    good = good and all(is_consistent(proof, roots[proof["from"]], roots[proof["to"]]) for proof in known)
    reached: set[int] = {max(roots)} if roots else set()
    for _ in roots:
        reached |= {proof["from"] for proof in known if proof["to"] in reached}
    return good, reached == set(roots)


def entries_hold(bundle: dict[str, Json], records: list[dict[str, Json]]) -> bool:
    """Steps 5 to 7; a body that is none raises NotOfTheFormError."""
    by_size = {record["size"]: record for record in records}
    seen: dict[int, tuple[str, str]] = {}
    for entry in bundle["entries"]:
        body, record = body_of(entry["body"]), by_size.get(entry["size"])
        leaf = digest(b"\x00", entry["body"].encode())
        if body["index"] != entry["index"] or not 1 <= entry["index"] <= entry["size"] or record is None:
            return False
        found = climb(entry["index"] - 1, entry["size"] - 1, leaf, entry["path"])
        if found is None or found[1] != record["root"] or body["recorded_at"] > record["at"]:
            return False
        if entry["index"] in seen or (entry["index"] == 1 and body["id"] != record["register"]):
            return False
        seen[entry["index"]] = (body["recorded_at"], leaf)
    times = [seen[index][0] for index in sorted(seen)]
    for size in by_size:
        if all(index in seen for index in range(1, min(size, len(seen) + 1) + 1)):
            leaves = [seen[index][1] for index in range(1, size + 1)]
            if root_of(leaves) != by_size[size]["root"]:
                return False
    return all(early < late for early, late in pairwise(times))


def subject_holds(bundle: dict[str, Json]) -> bool:
    """Step 8."""
    subject = bundle["subject"]
    if subject is None:
        return True
    bodies = [body_of(entry["body"]) for entry in bundle["entries"]]
    wanted = (subject["kind"], subject["id"])
    things = [{(part["kind"], part["id"]) for part in body["subjects"]} for body in bodies]
    allowed = {wanted}
    if subject["kind"] == "location":
        allowed |= {thing for named in things if wanted in named for thing in named if thing[0] == "cabinet"}
    if subject["kind"] == "device":
        merges = [
            named for body, named in zip(bodies, things, strict=True) if body["verb"] == "provisional.merged"
        ]
        for _ in merges:
            allowed |= {
                thing for named in merges if named & allowed for thing in named if thing[0] == "device"
            }
    return all(named & allowed for named in things)


def status_of(bundle_text: str, keys: list[str], kept_texts: list[str]) -> int:
    """Return the exit status that the README gives for a bundle, keys and checkpoints that were kept."""
    try:
        bundle = strictly(bundle_text)
        kept = [strictly(text) for text in kept_texts]
    except NotOfTheFormError:
        return UNREADABLE
    if not is_bundle(bundle) or not all(is_checkpoint(each, True) for each in kept):
        return UNREADABLE
    known = keys or [checkpoint["public_key"] for checkpoint in kept]
    good, own, records = True, [], []
    for checkpoint in [*kept, *bundle["checkpoints"]]:
        try:
            record = record_of(checkpoint["record"])
        except NotOfTheFormError:
            good = False
            continue
        if not is_signed(checkpoint, known or [checkpoint["public_key"]]):
            good = False
            continue
        records.append(record)
        own += [] if any(checkpoint is each for each in kept) else [record]
    try:
        grew, joined = grew_only(records, bundle["consistency"])
        good = entries_hold(bundle, own) and grew and good
        if not (subject_holds(bundle) and good):
            return FAILS
        return HOLDS if joined else NOT_JOINED
    except NotOfTheFormError:
        return FAILS
