"""What differs between two states of knowledge, computed naively: from the bodies of the ledger alone.

Every image up to an entry is written into a dictionary, in order; two such dictionaries are compared. No
query of the register is asked, and no rule of it is used, so that the two can be held against each other.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from registry.models import Entry

HISTORIES = {
    "accountstate": "account_id",
    "cabinetwhereabouts": "cabinet_id",
    "devicewhereabouts": "device_id",
    "locationholding": "location_id",
    "locationstate": "location_id",
    "split": "cabinet_id",
}
RECORDS = {
    "account": "account", "location": "location", "contact": "contact", "depot": "depot",
    "cabinetmodel": "cabinet_model", "cabinet": "cabinet", "product": "product",
    "devicemodel": "device_model", "device": "device",
}  # fmt: skip
FAR = "9999"  # sorts after every time of the ledger, which all are in UTC

Image = dict[str, Any]
Told = tuple[Any, ...]


@dataclass(frozen=True)
class Naive:
    """The answer: differences as (table, thing, before, after, since, entries), and entries taken back."""

    lines: frozenset[Told]
    taken_back: int


@dataclass(frozen=True)
class Wanted:
    """What is compared: one location, one account, or everything where neither is named."""

    location: str = ""
    account: str = ""


def folded(first: int, last: int) -> "Folded":
    """Return the rows as written by either of two entries, those in between, and what wrote them."""
    bodies = Entry.objects.filter(index__lte=last).order_by("index").values_list("body", flat=True)
    return _folded([json.loads(body) for body in bodies], first, last)


def naive_differences(rows: "Folded", wanted: Wanted) -> Naive:
    """Return what differs between what was believed right after two entries."""
    states, writes = rows
    near = _Near(states, wanted)
    lines: set[Told] = set()
    netted: set[int] = set()
    for table in HISTORIES:
        _compare_periods(table, states, writes, near, lines, netted)
    for table in RECORDS:
        _compare_records(table, states, writes, near, lines, netted)
    return Naive(frozenset(lines), len(netted - {index for *_, entries in lines for index in entries}))


State = dict[str, dict[str, Image]]  # table, key, image
Writes = dict[str, dict[str, set[int]]]  # table, key, the entries in between that wrote it
Folded = tuple[tuple[State, State, State], Writes]


def _folded(bodies: Iterable[Any], first: int, last: int) -> Folded:
    """Return the rows as written by either entry, all rows that were written in between, and by which."""
    at: State = defaultdict(dict)
    between: State = defaultdict(dict)
    writes: Writes = defaultdict(lambda: defaultdict(set))
    states: list[State] = []
    for body in [{"index": 0, "images": []}, *bodies]:
        if body["index"] > last:
            break
        for image in body["images"]:
            at[image["table"]][image["key"]] = image["after"]
            if body["index"] > first:
                between[image["table"]][image["key"]] = image["after"]
                writes[image["table"]][image["key"]].add(body["index"])
        if body["index"] in (first, last):
            states += [{table: dict(rows) for table, rows in at.items()}] * (2 if first == last else 1)
    return (states[0], states[-1], between), writes


def _believed(state: State, table: str) -> list[Image]:
    return [image for image in state.get(table, {}).values() if image["superseded_index"] is None]


def _shares(states: Iterable[State], split: str) -> tuple[Told, ...]:
    found = {
        (image["position"], image["product_id"], image["hundredths"])
        for state in states
        for image in state.get("splitshare", {}).values()
        if image["split_id"] == split
    }
    return tuple(sorted(found))


class _Near:
    """Says of an image whether it belongs to what is compared, by where cabinets stood in either belief."""

    def __init__(self, states: tuple[State, State, State], wanted: Wanted) -> None:
        self.wanted = wanted
        believed = states[:2]
        holdings = [image for state in believed for image in _believed(state, "locationholding")]
        self.locations = {wanted.location} | {
            image["location_id"] for image in holdings if image["account_id"] == wanted.account
        }
        stays = [image for state in believed for image in _believed(state, "cabinetwhereabouts")]
        self.stays = [stay for stay in stays if stay["location_id"] in self.locations]
        hangs = [image for state in believed for image in _believed(state, "devicewhereabouts")]
        self.devices = {hang["device_id"] for hang in hangs if self._stood(hang)}

    def _stood(self, image: Image) -> bool:
        return any(
            stay["cabinet_id"] == image["cabinet_id"]
            and stay["valid_from"] < (image["valid_to"] or FAR)
            and image["valid_from"] < (stay["valid_to"] or FAR)
            for stay in self.stays
        )

    def has(self, table: str, image: Image) -> bool:
        if self.wanted == Wanted():
            return True
        cabinets = {stay["cabinet_id"] for stay in self.stays}
        conditions: dict[str, Callable[[], bool]] = {
            "accountstate": lambda: image["account_id"] == self.wanted.account,
            "locationstate": lambda: image["location_id"] in self.locations,
            "locationholding": lambda: image["location_id"] in self.locations,
            "cabinetwhereabouts": lambda: image["location_id"] in self.locations,
            "devicewhereabouts": lambda: self._stood(image),
            "split": lambda: self._stood(image),
            "account": lambda: image["id"] == self.wanted.account,
            "location": lambda: image["id"] in self.locations,
            "contact": lambda: image["location_id"] in self.locations,
            "cabinet": lambda: image["id"] in cabinets,
            "device": lambda: image["id"] in self.devices,
        }
        return table in conditions and conditions[table]()


def _compare_periods(
    table: str,
    states: tuple[State, State, State],
    writes: Writes,
    near: _Near,
    lines: set[Told],
    netted: set[int],
) -> None:
    periods: dict[str, list[Image]] = defaultdict(list)
    for image in states[2].get(table, {}).values():
        periods[image["period"]].append(image)
    pairs: list[tuple[Any, Any, set[int]]] = []
    believed = [{image["period"]: image for image in _believed(state, table)} for state in states[:2]]
    for period, images in periods.items():
        before, after = (by_period.get(period) for by_period in believed)
        if any(one is not None and near.has(table, one) for one in (before, after)):
            wrote = {index for image in images for index in writes[table][image["id"]]}
            pairs.append((before, after, wrote))
        else:
            for image in images:
                netted |= writes[table][image["id"]] if near.has(table, image) else set()
    said = [
        tuple(None if one is None else _statement(table, one, states) for one in pair[:2]) for pair in pairs
    ]
    gone = [said[place][0] for place, pair in enumerate(pairs) if pair[1] is None]
    come = [said[place][1] for place, pair in enumerate(pairs) if pair[0] is None]
    for (before, after), (_, _, wrote) in zip(said, pairs, strict=True):
        again = (after is None and before in come) or (before is None and after in gone)
        if before == after or again:
            netted |= wrote
        else:
            thing = (before or after)[0]
            lines.add((table, thing, before, after, _since(before, after), tuple(sorted(wrote))))


def _statement(table: str, image: Image, states: Iterable[State]) -> Told:
    """Return what an image says: whose it is, start and end, facts, what is said of start and end alone."""
    alone = ("starts_known_by", "end_reason", "end_note")
    left_out = {"id", "period", "recorded_index", "superseded_index", "valid_from", "valid_to", *alone}
    facts = [(name, value) for name, value in sorted(image.items()) if name not in left_out]
    facts.append(("shares", _shares(states, image["id"])))
    bounds = image["valid_from"], image["valid_to"]
    return (
        image[HISTORIES[table]],
        *bounds,
        tuple(facts),
        image["starts_known_by"],
        tuple(image.get(name) for name in alone[1:]),
    )


def _since(before: Told | None, after: Told | None) -> str:
    """Return the earliest instant at which two statements differ, asked bound by bound."""
    said = [one for one in (before, after) if one is not None]
    bounds = sorted({bound for one in said for bound in one[1:3] if bound is not None})
    starts_differ = len({one[4] for one in said}) > 1
    for bound in bounds:
        values = [
            one[3] if one is not None and one[1] <= bound < (one[2] or FAR) else None
            for one in (before, after)
        ]
        if values[0] != values[1] or (starts_differ and all(one[1] == bound for one in said)):
            return bound
    return bounds[-1]


def _compare_records(
    table: str,
    states: tuple[State, State, State],
    writes: Writes,
    near: _Near,
    lines: set[Told],
    netted: set[int],
) -> None:
    for key, wrote in writes[table].items():
        before, after = (state.get(table, {}).get(key) for state in states[:2])
        assert after is not None
        if not near.has(table, after):
            continue
        columns = {
            name
            for name, value in after.items()
            if name not in ("registered_index", "revised_index") and (before or {}).get(name) != value
        }
        if before is not None and not columns:
            netted |= wrote
        else:
            changed = frozenset(columns) if before is not None else None
            lines.add((table, key, before is None, changed, None, tuple(sorted(wrote))))
