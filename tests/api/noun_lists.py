"""Every list of accounts, contacts, the catalogue, people, tokens, periods and entries, and how it grows."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from registry.actions import accounts, cabinets, devices, locations, products
from tests.api.count_operations import drawn
from tests.api.noun_operations import account, contact, device_token, token
from tests.factories import visiting
from tests.factories.playing import passed
from tests.factories.world import DAY, World, device_model, person

SIGNED_IN = "apitoken"  # whose token it is, with the person
HEAD = "entry"  # the newest entry: the index that the answer carries


@dataclass(frozen=True)
class Listed:
    """A list: its address, what it asks beside, and how another row comes to it.

    `orderings` are its ordered fields, by which the rows that `add` makes look alike where that is
    possible; `reads` names every query of a page, and `one` every query of a single row.
    """

    path: str
    add: Callable[[World], object]
    orderings: tuple[str, ...]
    reads: list[str]
    one: list[str]
    query: Callable[[World], dict[str, Any]] = lambda _: {}
    key: str = "id"
    dated: bool = False

    def address(self, row: dict[str, Any]) -> str:
        """Return the address of one row."""
        if self.path == "periods/":
            return f"periods/{row['history']}/{row['id']}/"
        return f"{self.path}{row[self.key]}/"


def _depot(world: World) -> object:
    code = world.code("D")
    return locations.register_depot(world.office, particulars={"code": code, "name": "Skerrydale"})


def _account(world: World) -> object:
    """An account below another, of the same name as the others."""
    particulars = {"code": world.code("A"), "name": "Pier & Pantry"}
    return accounts.register_account(
        world.office, particulars=particulars, valid_from=world.start, parent_id=world.account.pk
    )


def _product(world: World) -> object:
    particulars = {"code": world.code("B"), "name": "Bag", "net_mass": "3", "net_mass_unit": "kg"}
    return products.register_product(world.office, particulars=particulars)


def _cabinet_model(world: World) -> object:
    particulars = {"name": world.code("Cove"), "sensor_count": 3}
    return cabinets.register_cabinet_model(world.office, particulars=particulars)


def _device_model(world: World) -> object:
    name = world.code("Plumb")
    return devices.register_device_model(
        world.office, particulars=device_model(name, name.replace("-", "").upper()[-8:], 3)
    )


def _state(world: World) -> object:
    """Lay the store to sleep or wake it, an hour after the last time."""
    count = world.location.states.filter(superseded=None).count()
    return locations.set_location_state(
        world.office,
        location_id=world.location.pk,
        state="asleep" if count % 2 else "open",
        valid_from=world.start + DAY + timedelta(hours=count),
    )


LISTS = {
    "accounts": Listed(
        "accounts/",
        _account,
        ("code", "name"),
        # the rows, the accounts above them, their states
        [SIGNED_IN, HEAD, "account", "account", "accountstate"],
        [SIGNED_IN, HEAD, "account", "account", "accountstate"],
        dated=True,
    ),
    "contacts": Listed(
        "contacts/",
        contact,
        ("id",),
        # the rows with their locations, their texts
        [SIGNED_IN, HEAD, "contact", "contacttext"],
        [SIGNED_IN, HEAD, "contact", "contacttext"],
    ),
    "acceptance": Listed(
        "acceptance/",
        passed,
        ("checked_at",),
        # the rows with what they are about
        [SIGNED_IN, HEAD, "acceptancecheck"],
        [SIGNED_IN, HEAD, "acceptancecheck"],
    ),
    "counts": Listed(
        "counts/",
        drawn,
        ("frozen_at", "name"),
        # the rows with their depots and how many of their lines are done
        [SIGNED_IN, HEAD, "count"],
        [SIGNED_IN, HEAD, "count"],
    ),
    "depots": Listed(
        "depots/", _depot, ("code", "name"), [SIGNED_IN, HEAD, "depot"], [SIGNED_IN, HEAD, "depot"]
    ),
    "cabinet-models": Listed(
        "cabinet-models/",
        _cabinet_model,
        ("name", "sensor_count"),
        [SIGNED_IN, HEAD, "cabinetmodel"],
        [SIGNED_IN, HEAD, "cabinetmodel"],
    ),
    "device-models": Listed(
        "device-models/",
        _device_model,
        ("name", "sensor_count"),
        [SIGNED_IN, HEAD, "devicemodel"],
        [SIGNED_IN, HEAD, "devicemodel"],
    ),
    "products": Listed(
        "products/", _product, ("code", "name"), [SIGNED_IN, HEAD, "product"], [SIGNED_IN, HEAD, "product"]
    ),
    "staff": Listed(
        "staff/",
        lambda world: person(world, "installer", world.tarnmouth),
        ("name", "username"),
        # the rows, their depots
        [SIGNED_IN, HEAD, "staff", "staffdepot"],
        [SIGNED_IN, HEAD, "staff", "staffdepot"],
    ),
    "tokens": Listed(
        "tokens/",
        token,
        ("expires_at", "name"),
        # the rows with their people
        [SIGNED_IN, HEAD, "apitoken"],
        [SIGNED_IN, HEAD, "apitoken"],
    ),
    "device-tokens": Listed(
        "device-tokens/",
        device_token,
        ("expires_at", "name"),
        # the rows with their devices
        [SIGNED_IN, HEAD, "devicetoken"],
        [SIGNED_IN, HEAD, "devicetoken"],
    ),
    "periods": Listed(
        "periods/",
        _state,
        ("valid_from",),
        # the rows, the locations to which they refer
        [SIGNED_IN, HEAD, "locationstate", "location"],
        [SIGNED_IN, HEAD, "locationstate", "location"],
        query=lambda world: {"history": "locationstate", "of": world.location.pk},
        dated=True,
    ),
    "visits": Listed(
        "visits/",
        visiting.planned,
        ("planned_on",),
        # the rows with their locations and people, their cabinets
        [SIGNED_IN, HEAD, "visit", "visitcabinet"],
        [SIGNED_IN, HEAD, "visit", "visitcabinet"],
    ),
    "surveys": Listed(
        "surveys/",
        lambda world: visiting.surveyed(world, world.cabinet()),
        ("surveyed_at",),
        # the rows, where their cabinets stand
        [SIGNED_IN, HEAD, "cabinetsurvey"],
        [SIGNED_IN, HEAD, "cabinetsurvey"],
    ),
    "kit-parts": Listed(
        "kit-parts/",
        visiting.part,
        ("code", "name"),
        [SIGNED_IN, HEAD, "kitpart"],
        [SIGNED_IN, HEAD, "kitpart"],
    ),
    "kit-rules": Listed(
        "kit-rules/", visiting.rule, ("name",), [SIGNED_IN, HEAD, "kitrule"], [SIGNED_IN, HEAD, "kitrule"]
    ),
    "entries": Listed(
        "entries/",
        lambda world: account(world, world.code("E")),
        ("index",),
        # the rows; then in words: the head, the entries, what they are about, the people; and the subjects
        [SIGNED_IN, HEAD, "entry", "entry", "entry", "subject", "staff", "subject"],
        [SIGNED_IN, HEAD, "entry", "entry", "entry", "subject", "staff", "subject"],
        key="index",
    ),
}
