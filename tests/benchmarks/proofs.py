"""How much the tree over the ledger costs beside hashing the same bytes, as the ledger grows.

Run by hand, from the folder that holds manage.py; pytest never collects it:

    .venv/bin/python -m tests.benchmarks.proofs [--rounds 9] [--size 500] [--largest 1000000]

No database and no file: what is timed is `registry.rules.merkle` in memory, at 10^3, 10^4, ... entries. At
each size these take turns in one run, `--size` times each a round, after a tenth as many to warm up:

- raw entry: SHA-256 over a body of two kilobytes, as an entry has;
- append: `leaf_hash` of the same body, and `Frontier.append`;
- raw nodes: SHA-256 over 65 bytes, as a node has, once for each hash of an inclusion proof;
- make, check: an inclusion proof of a random entry, a consistency proof from a random older size.

Timed is what the processor spent on this thread, because nothing here waits for anything. Times are of this
machine and of little worth elsewhere; the ratios carry over. Printed are medians over rounds with the least
and the greatest, and how many hashes the proofs have beside the bound of the standard.
"""

import argparse
import random
import time
from collections.abc import Callable
from hashlib import sha256

from registry.rules.merkle import (
    HASH_LENGTH,
    Frontier,
    Subtree,
    consistency_subtrees,
    fold,
    inclusion_subtrees,
    is_consistent,
    leaf_hash,
    peaks_of,
    root_of_inclusion,
)
from tests.benchmarks.assignment import Way, spread

BODY = b"x" * 2_000  # about the canonical text of an assignment's entry
NODE = b"\x01" * (1 + 2 * HASH_LENGTH)
RATIOS = (
    ("append", "raw entry"),
    ("make inclusion", "raw nodes"),
    ("check inclusion", "raw nodes"),
    ("make consistency", "raw nodes"),
    ("check consistency", "raw nodes"),
)


class Tree:
    """A growing tree that keeps the hashes of its whole subtrees, level by level, end to end."""

    def __init__(self) -> None:
        self.frontier = Frontier()
        self.levels: list[bytearray] = [bytearray() for _ in range(64)]

    def grow(self, size: int) -> None:
        """Append leaves until there are so many."""
        for number in range(self.frontier.size, size):
            leaf = sha256(number.to_bytes(8)).digest()
            self.levels[0] += leaf
            for (level, _), digest in self.frontier.append(leaf):
                self.levels[level] += digest

    def read(self, subtree: Subtree) -> bytes:
        """Return the hash of a whole subtree."""
        level, position = subtree
        return bytes(self.levels[level][position * HASH_LENGTH : (position + 1) * HASH_LENGTH])

    def root_at(self, size: int) -> bytes:
        """Return the root of an earlier size."""
        return Frontier(size, [self.read(peak) for peak in peaks_of(size)]).root()


def main() -> None:
    """Run the benchmark at each size."""
    parser = argparse.ArgumentParser(description="Time the tree beside hashing the same bytes.")
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--size", type=int, default=500, help="of each way in a round")
    parser.add_argument("--largest", type=int, default=1_000_000, help="entries of the largest tree")
    options = parser.parse_args()
    tree, size = Tree(), 1_000
    print(f"{options.rounds} rounds of {options.size}, median [least, greatest]")
    while size <= options.largest:
        tree.grow(size)
        _measure(tree, options.rounds, options.size)
        size *= 10


def _measure(tree: Tree, rounds: int, size: int) -> None:
    ways, hashes = _ways(tree, random.Random(tree.frontier.size), size)
    taken: dict[str, list[float]] = {way: [] for way in ways}
    for _ in range(rounds):
        for way, do in ways.items():
            _timed(do, size // 10)
            taken[way].append(_timed(do, size) / size)
    print(f"{tree.frontier.size} entries")
    for way, seconds_each in taken.items():
        print(f"  {way:<18} {spread([seconds * 1e6 for seconds in seconds_each], '.2f')} microseconds")
    for slow, fast in RATIOS:
        ratios = [many / few for many, few in zip(taken[slow], taken[fast], strict=True)]
        print(f"  {slow} / {fast}, round by round: {spread(ratios, '.2f')}")
    height = (tree.frontier.size - 1).bit_length()
    for kind, bound in (("inclusion", height), ("consistency", height + 1)):
        print(f"  hashes of the {kind} proofs: {spread(hashes[kind], 'g')}, at most {bound}")


def _timed(do: Way, times: int) -> float:
    begin = time.thread_time()
    for number in range(times):
        do(number)
    return time.thread_time() - begin


def _ways(tree: Tree, rng: random.Random, size: int) -> tuple[dict[str, Way], dict[str, list[float]]]:
    """Return what takes turns, by name, each over the same random entries and older sizes."""
    whole, root = tree.frontier.size, tree.frontier.root()
    leaves = [rng.randrange(whole) for _ in range(size)]
    olds = [rng.randrange(1, whole) for _ in range(size)]
    old_roots = [tree.root_at(old) for old in olds]

    def folded(parts: list[list[Subtree]]) -> list[bytes]:
        return [fold(part, tree.read) for part in parts]

    paths = [folded(inclusion_subtrees(leaf, whole)) for leaf in leaves]
    proofs = [folded(consistency_subtrees(old, whole)) for old in olds]
    growing = Frontier(whole, list(tree.frontier.peaks))

    def expect(holds: bool) -> None:
        if not holds:
            raise RuntimeError("a proof does not hold: what was timed is not what is told")

    def raw_nodes(number: int) -> None:
        for _ in paths[number]:
            sha256(NODE).digest()

    def check_inclusion(number: int) -> None:
        leaf = leaves[number]
        expect(root_of_inclusion(leaf, whole, tree.read((0, leaf)), paths[number]) == root)

    def check_consistency(number: int) -> None:
        expect(is_consistent(olds[number], whole, old_roots[number], root, proofs[number]))

    def way(do: Callable[[int], object]) -> Way:
        return lambda number: (do(number), None)[1]

    ways = {
        "raw entry": way(lambda _: sha256(BODY).digest()),
        "append": way(lambda _: growing.append(leaf_hash(BODY))),
        "raw nodes": raw_nodes,
        "make inclusion": way(lambda number: folded(inclusion_subtrees(leaves[number], whole))),
        "check inclusion": check_inclusion,
        "make consistency": way(lambda number: folded(consistency_subtrees(olds[number], whole))),
        "check consistency": check_consistency,
    }
    lengths = {
        "inclusion": [float(len(path)) for path in paths],
        "consistency": [float(len(proof)) for proof in proofs],
    }
    return ways, lengths


if __name__ == "__main__":
    main()
