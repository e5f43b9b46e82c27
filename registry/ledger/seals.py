"""What a seal binds: the stored readings of one entry, in the order of their keys, as leaves of a tree."""

from collections.abc import Iterator
from typing import Any

from registry.models import Reading
from registry.rules.merkle import leaf_hash
from registry.rules.readings import sealed_bytes

SEALED_COLUMNS = tuple(field.attname for field in Reading._meta.local_concrete_fields if field.name != "seal")
CHUNK = 2_000  # rows read at a time


def sealed_leaves(index: int) -> Iterator[bytes]:
    """Yield the leaf of each reading that entry `index` seals, in the order of keys.

    Raises ValueError for a reading that has no canonical form, and what a column raises for a value that it
    cannot have.
    """
    found: Any = Reading.objects.filter(seal=index).order_by("pk").values(*SEALED_COLUMNS)
    for values in found.iterator(chunk_size=CHUNK):
        yield leaf_hash(sealed_bytes(values))
