"""Random malformed batches: never a 500, and never a good row lost.

A few hundred in CI; RIMEBOOK_MALFORMED_BATCHES=10000 for a long run.
"""

import json
import os
from datetime import timedelta
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from registry.actions import tokens
from registry.models import Reading
from tests.api.client import Person
from tests.factories.world import World

BATCHES = int(os.environ.get("RIMEBOOK_MALFORMED_BATCHES", "300"))
FIELDS = ("serial", "measured_at", "distances_mm", "temperatures_c", "supply_mv", "signal_dbm", "firmware")
SECOND = timedelta(seconds=1)

anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(min_value=10**18, max_value=10**30)
    | st.floats(allow_nan=True, allow_infinity=True)
    | st.text(alphabet=st.characters(), max_size=60)
    | st.sampled_from(["", "\x00", "PB3000018", "2026-03-02T07:00:00Z", "2026-13-01T00:00:00Z", "-18.5"]),
    lambda inner: st.lists(inner, max_size=20) | st.dictionaries(st.text(max_size=14), inner, max_size=4),
    max_leaves=12,
)
# One field of a good row that was spoilt, or no row at all.
spoilt = st.tuples(st.sampled_from(FIELDS), anything) | st.tuples(st.text(max_size=12), anything)
rows = st.lists(st.one_of(st.just("good"), spoilt, st.tuples(st.just(""), anything)), max_size=6)
bodies = st.one_of(
    st.tuples(st.just("rows"), rows),
    st.tuples(st.just("rows"), rows),
    st.tuples(st.just("body"), anything),
    st.tuples(st.just("bytes"), st.binary(max_size=60)),
)


def test_random_malformed_batches_give_no_500_and_lose_no_good_row(world: World) -> None:
    _token, secret = tokens.issue_device_token(world.administrator, name="Gateway")
    gateway, number = Person(secret), 0

    def good_row() -> dict[str, Any]:
        nonlocal number
        number += 1
        at = world.clock.at - number * SECOND
        return {
            "serial": f"PB{number:07d}",
            "measured_at": at.isoformat(),
            "distances_mm": [400, None],
            "temperatures_c": [-18.5],
        }

    @settings(max_examples=BATCHES, database=None)
    @given(bodies)
    def post(drawn: tuple[str, Any]) -> None:
        kind, value = drawn
        good: list[int] = []
        batch: list[Any] = []
        for position, one in enumerate(value if kind == "rows" else ()):
            row: Any = good_row()
            if one == "good":
                good.append(position)
            else:
                name, spoil = one
                row = {**row, name: spoil} if name else spoil
            batch.append(row)
        body = value if kind == "bytes" else _json({"readings": batch} if kind == "rows" else value)

        answer = gateway.client.post(
            "/api/v1/readings/",
            body,
            content_type="application/json",
            headers={"Authorization": f"Bearer {secret}"},
        )

        assert answer.status_code in ((200,) if kind == "rows" else (200, 400, 422)), answer.content
        if kind == "rows":
            told = answer.json()["rows"]
            assert len(told) == len(batch)
            assert [told[position]["outcome"] for position in good] == ["accepted"] * len(good)
            serials = {batch[position]["serial"] for position in good}
            assert Reading.objects.filter(serial__in=serials).count() == len(good)
            for one in told:
                assert (one["outcome"] == "refused") == (one["code"] is not None) == bool(one["detail"])

    post()


def _json(value: Any) -> bytes:
    """Write what was drawn as a client in a hurry would: NaN, infinities and lone surrogates included."""
    return json.dumps(value).encode()
