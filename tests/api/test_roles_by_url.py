"""Who may do what, by address and method: one table, written by hand and apart from the code.

Each row is asked as each of the four roles, of a depot of theirs and of another one, with a body that would
be accepted. An address or a method without a row fails, and so does a row without an address.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from registry.actions import accounts, staff, tokens
from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import ApiToken, Cabinet, DeviceToken, KitPart, KitRule
from registry.queries.visits import cautions_of
from registry.rules.visits import VisitState
from tests.actions.test_hidden_actions import Side, gone_on, side
from tests.actions.unchanged import nothing_changed, undone
from tests.api.client import ROOT, Api, Person, Reply, check_problem, ok, told
from tests.factories import visiting
from tests.factories.evidence import sent_photo
from tests.factories.playing import check_that_passed
from tests.factories.world import DAY, PASSWORD, World, device_model, person

ROLES = ("office", "installer", "auditor", "administrator")
EVERYBODY = frozenset(ROLES)
OFFICE = frozenset({"office", "administrator"})
FIELD = OFFICE | {"installer"}
READERS = OFFICE | {"auditor"}  # of people and of the ledger
ADMINISTRATOR = frozenset({"administrator"})

# How far the depots of the person who asks decide.
EVERYWHERE = "of the whole company: no depot decides"
ADDRESS = "the thing in the address must be of a depot of theirs, or it is not there: 404"
BODY = "what the body names must be of a depot of theirs, or it is not there: 422"
LIST = "a list of what is of their depots"
WHOLE = "for those who have all depots"
OPEN = "for anybody, signed in or not"
NO_PERSON = "for tokens of devices and gateways alone: a person is as good as nobody, 401"


@dataclass(frozen=True)
class Row:
    """A method of an address: who may, how far depots decide, and a request that is accepted."""

    who: frozenset[str]
    depots: str
    address: Callable[["Case"], str]
    body: Callable[["Case"], dict[str, Any]] | None = None


@dataclass(frozen=True)
class Case:
    """One register, and the depot of which something is asked."""

    world: World
    side: Side
    own: bool

    @property
    def person(self) -> UUID | None:
        """Somebody of this depot, whose van there is."""
        return (self.world.installer if self.own else self.world.stranger).staff_id

    def at(self, days: int) -> str:
        return (self.world.start + days * DAY).isoformat()


def row(
    who: frozenset[str],
    depots: str,
    address: str,
    body: Callable[[Case], dict[str, Any]] | None = None,
) -> Row:
    """Make a row; in the address, {x} is attribute x of the side, or a key of the whole company."""

    def filled(case: Case) -> str:
        return address.format(
            **asdict(case.side),
            account=case.world.account.pk,
            cove=case.world.cove.pk,
            plumb=case.world.plumb_3.pk,
            product=case.world.eight_lb.pk,
            installer=case.world.installer.staff_id,
        )

    return Row(who, depots, filled, body)


def store_of(case: Case, **more: Any) -> dict[str, Any]:
    return {
        "store_number": "0815",
        "depot": case.side.depot,
        "name": "Pier 8",
        "locality": "Tarnmouth",
        "country": "US",
        "time_zone": "America/New_York",
        **more,
    }


def new_store(case: Case, **more: Any) -> dict[str, Any]:
    return store_of(case, account=case.world.account.pk, **more)


def found_device(case: Case) -> dict[str, Any]:
    return {
        "model": case.world.plumb_3.pk,
        "serial": case.world.serial(),
        "evidence": "lay on the shelf",
        "depot": case.side.depot,
        "valid_from": case.at(9),
    }


WHEN = lambda c: {"valid_from": c.at(9)}  # noqa: E731
WHY = lambda c: {"reason": "as it was"}  # noqa: E731

TABLE: dict[tuple[str, str], Row] = {
    # What the API says of itself.
    ("GET", "schema/"): row(EVERYBODY, OPEN, "schema/?format=json"),
    ("OPTIONS", "schema/"): row(EVERYBODY, OPEN, "schema/?format=json"),
    ("GET", "docs/"): row(EVERYBODY, OPEN, "docs/"),
    ("OPTIONS", "docs/"): row(EVERYBODY, OPEN, "docs/"),
    ("GET", "problems/<slug:code>/"): row(EVERYBODY, OPEN, "problems/not_found/"),
    # What a code is, and who asks.
    ("GET", "identify/"): row(EVERYBODY, LIST, "identify/?code={serial}"),
    ("GET", "me/"): row(EVERYBODY, EVERYWHERE, "me/"),
    ("GET", "day-pack/"): row(EVERYBODY, ADDRESS, "day-pack/?day=2026-03-02&location={location}"),
    # Assignments: the field work; history is put right by the office.
    ("GET", "assignments/"): row(EVERYBODY, LIST, "assignments/"),
    ("POST", "assignments/"): row(
        FIELD,
        BODY,
        "assignments/",
        lambda c: {"device": c.side.device, "cabinet": c.side.cabinet, "valid_from": c.at(9)},
    ),
    ("GET", "assignments/<uuid:key>/"): row(EVERYBODY, ADDRESS, "assignments/{assignment}/"),
    ("GET", "assignments/<uuid:key>/first-readings/"): row(
        EVERYBODY, ADDRESS, "assignments/{assignment}/first-readings/"
    ),
    ("GET", "assignments/<uuid:key>/billing-start/"): row(
        EVERYBODY, ADDRESS, "assignments/{assignment}/billing-start/"
    ),
    ("POST", "assignments/<uuid:key>/acceptance/"): row(
        FIELD, ADDRESS, "assignments/{assignment}/acceptance/", lambda c: {"tape_mm": [900, 600, 300]}
    ),
    # Which checks are of their depots is held in test_acceptance_api.py.
    ("GET", "acceptance/"): row(EVERYBODY, EVERYWHERE, "acceptance/"),
    ("GET", "acceptance/<uuid:key>/"): Row(
        EVERYBODY, ADDRESS, lambda c: f"acceptance/{passed_check(c)}/"
    ),
    ("POST", "acceptance/<uuid:key>/sign-off/"): Row(
        FIELD, ADDRESS, lambda c: f"acceptance/{passed_check(c)}/sign-off/", lambda c: {"note": "well"}
    ),
    ("POST", "assignments/<uuid:key>/end/"): row(
        FIELD,
        ADDRESS,
        "assignments/{assignment}/end/",
        lambda c: {"valid_to": c.at(9), "end_reason": "fault", "depot": c.side.depot},
    ),
    ("POST", "assignments/<uuid:key>/swap/"): row(
        FIELD,
        ADDRESS,
        "assignments/{assignment}/swap/",
        lambda c: {"valid_from": c.at(9), "device": c.side.device, "depot": c.side.depot},
    ),
    ("POST", "assignments/<uuid:key>/correct/"): row(
        OFFICE,
        ADDRESS,
        "assignments/{assignment}/correct/",
        lambda c: {"reason": "as it was", "valid_from": c.at(3)},
    ),
    ("POST", "assignments/<uuid:key>/withdraw/"): row(
        OFFICE, ADDRESS, "assignments/{assignment}/withdraw/", WHY
    ),
    # Cabinets: put up and moved in the field; scrapped by the office.
    ("GET", "cabinets/"): row(EVERYBODY, LIST, "cabinets/"),
    ("POST", "cabinets/"): row(
        FIELD,
        BODY,
        "cabinets/",
        lambda c: {
            "model": c.world.cove.pk,
            "asset_tag": "SK-0815",
            "location": c.side.location,
            "valid_from": c.at(9),
        },
    ),
    ("GET", "cabinets/<uuid:key>/"): row(EVERYBODY, ADDRESS, "cabinets/{cabinet}/"),
    ("PATCH", "cabinets/<uuid:key>/"): row(
        FIELD, ADDRESS, "cabinets/{cabinet}/", lambda c: {"condition": "dented"}
    ),
    ("POST", "cabinets/<uuid:key>/move/"): row(
        FIELD,
        ADDRESS,
        "cabinets/{cabinet}/move/",
        lambda c: {"valid_from": c.at(9), "depot": c.side.depot},
    ),
    ("POST", "cabinets/<uuid:key>/split/"): row(
        FIELD,
        ADDRESS,
        "cabinets/{cabinet}/split/",
        lambda c: {
            "valid_from": c.at(9),
            "shares": [{"product": c.world.eight_lb.pk, "share": "100"}],
        },
    ),
    ("POST", "cabinets/<uuid:key>/scrap/"): row(OFFICE, ADDRESS, "cabinets/{cabinet}/scrap/", WHEN),
    # Locations: the office's.
    ("GET", "locations/"): row(EVERYBODY, LIST, "locations/"),
    ("POST", "locations/"): row(
        OFFICE, BODY, "locations/", lambda c: new_store(c, valid_from=c.at(9))
    ),
    ("POST", "locations/take-over/"): row(
        OFFICE, BODY, "locations/take-over/", lambda c: new_store(c, known_by=c.at(9))
    ),
    ("GET", "locations/<uuid:key>/"): row(EVERYBODY, ADDRESS, "locations/{location}/"),
    ("PATCH", "locations/<uuid:key>/"): row(
        OFFICE, ADDRESS, "locations/{location}/", lambda c: {"visiting_hours": "9 to 5"}
    ),
    ("GET", "locations/<uuid:key>/timeline/"): row(
        EVERYBODY, ADDRESS, "locations/{location}/timeline/"
    ),
    ("GET", "locations/<uuid:key>/epcis/"): row(EVERYBODY, ADDRESS, "locations/{location}/epcis/"),
    ("POST", "locations/<uuid:key>/state/"): row(
        OFFICE,
        ADDRESS,
        "locations/{location}/state/",
        lambda c: {"state": "open", "valid_from": c.at(9)},
    ),
    ("POST", "locations/<uuid:key>/close/"): row(
        OFFICE,
        ADDRESS,
        "locations/{location}/close/",
        lambda c: {"valid_from": c.at(9), "cabinets_to": c.side.depot, "reason": "sold"},
    ),
    ("POST", "locations/<uuid:key>/hand/"): row(
        OFFICE,
        ADDRESS,
        "locations/{location}/hand/",
        lambda c: {"account": c.world.account.pk, "store_number": "0077", "valid_from": c.at(9)},
    ),
    # Devices: received, corrected, retired and judged by the office; carried about in the field.
    ("GET", "devices/"): row(EVERYBODY, LIST, "devices/"),
    ("POST", "devices/"): row(
        OFFICE,
        BODY,
        "devices/",
        lambda c: {
            "depot": c.side.depot,
            "valid_from": c.at(9),
            "devices": [{"model": c.world.plumb_3.pk, "serial": c.world.serial()}],
        },
    ),
    ("GET", "devices/suggest/"): row(EVERYBODY, LIST, "devices/suggest/?q={serial}"),
    ("POST", "devices/provisional/"): row(FIELD, BODY, "devices/provisional/", found_device),
    ("GET", "devices/<uuid:key>/"): row(EVERYBODY, ADDRESS, "devices/{device}/"),
    ("PATCH", "devices/<uuid:key>/"): row(
        OFFICE, ADDRESS, "devices/{device}/", lambda c: {"firmware": "2.1"}
    ),
    ("GET", "devices/<uuid:key>/trace/"): row(EVERYBODY, ADDRESS, "devices/{device}/trace/"),
    ("GET", "devices/<uuid:key>/chain/"): row(EVERYBODY, ADDRESS, "devices/{device}/chain/"),
    ("GET", "devices/<uuid:key>/chain.csv"): row(EVERYBODY, ADDRESS, "devices/{device}/chain.csv"),
    ("GET", "devices/<uuid:key>/epcis/"): row(EVERYBODY, ADDRESS, "devices/{device}/epcis/"),
    ("POST", "devices/<uuid:key>/hand-over/"): row(
        FIELD,
        ADDRESS,
        "devices/{device}/hand-over/",
        lambda c: {"staff": c.person, "valid_from": c.at(9)},
    ),
    ("POST", "devices/<uuid:key>/repair/"): row(FIELD, ADDRESS, "devices/{device}/repair/", WHEN),
    ("POST", "devices/<uuid:key>/return/"): row(
        FIELD,
        ADDRESS,
        "devices/{repaired}/return/",
        lambda c: {"depot": c.side.depot, "valid_from": c.at(9)},
    ),
    ("POST", "devices/<uuid:key>/lost/"): row(FIELD, ADDRESS, "devices/{device}/lost/", WHEN),
    ("POST", "devices/<uuid:key>/retire/"): row(OFFICE, ADDRESS, "devices/{device}/retire/", WHEN),
    ("POST", "devices/<uuid:key>/confirm/"): row(OFFICE, ADDRESS, "devices/{found}/confirm/", WHY),
    ("POST", "devices/<uuid:key>/merge/"): row(
        OFFICE, ADDRESS, "devices/{found}/merge/", lambda c: {"into": c.side.device}
    ),
    ("POST", "devices/<uuid:key>/reject/"): row(OFFICE, ADDRESS, "devices/{found}/reject/", WHY),
    # Accounts: known to everybody, kept by the office.
    ("GET", "accounts/"): row(EVERYBODY, EVERYWHERE, "accounts/"),
    ("POST", "accounts/"): row(
        OFFICE,
        BODY,
        "accounts/",
        lambda c: {
            "code": "GM",
            "name": "Gannet Marina",
            "valid_from": c.at(9),
            "locations": [store_of(c)],
        },
    ),
    ("GET", "accounts/<uuid:key>/"): row(EVERYBODY, EVERYWHERE, "accounts/{account}/"),
    ("PATCH", "accounts/<uuid:key>/"): row(
        OFFICE, EVERYWHERE, "accounts/{account}/", lambda c: {"name": "Lantern Fuel North"}
    ),
    ("POST", "accounts/<uuid:key>/close/"): Row(
        OFFICE, EVERYWHERE, lambda c: f"accounts/{account_of(c, 'empty')}/close/", WHEN
    ),
    ("POST", "accounts/<uuid:key>/reopen/"): Row(
        OFFICE, EVERYWHERE, lambda c: f"accounts/{account_of(c, 'closed')}/reopen/", WHEN
    ),
    # Contacts: read by whoever goes there, kept by the office.
    ("GET", "contacts/"): row(EVERYBODY, LIST, "contacts/"),
    ("POST", "contacts/"): row(
        OFFICE, BODY, "contacts/", lambda c: {"location": c.side.location, "name": "Wren Hollis"}
    ),
    ("GET", "contacts/<uuid:key>/"): row(EVERYBODY, ADDRESS, "contacts/{contact}/"),
    ("PATCH", "contacts/<uuid:key>/"): row(
        OFFICE, ADDRESS, "contacts/{contact}/", lambda c: {"phone": "0100 0789"}
    ),
    ("POST", "contacts/<uuid:key>/erase/"): row(OFFICE, ADDRESS, "contacts/{contact}/erase/", WHY),
    # The catalogue: read by everybody, kept by the office.
    ("GET", "depots/"): row(EVERYBODY, LIST, "depots/"),
    ("POST", "depots/"): row(
        OFFICE, EVERYWHERE, "depots/", lambda c: {"code": "SD", "name": "Skerrydale"}
    ),
    ("GET", "depots/<uuid:key>/"): row(EVERYBODY, ADDRESS, "depots/{depot}/"),
    ("PATCH", "depots/<uuid:key>/"): row(
        OFFICE, ADDRESS, "depots/{depot}/", lambda c: {"name": "The Old Quay"}
    ),
    ("GET", "cabinet-models/"): row(EVERYBODY, EVERYWHERE, "cabinet-models/"),
    ("POST", "cabinet-models/"): row(
        OFFICE, EVERYWHERE, "cabinet-models/", lambda c: {"name": "Cove 70", "sensor_count": 4}
    ),
    ("GET", "cabinet-models/<uuid:key>/"): row(EVERYBODY, EVERYWHERE, "cabinet-models/{cove}/"),
    ("PATCH", "cabinet-models/<uuid:key>/"): row(
        OFFICE, EVERYWHERE, "cabinet-models/{cove}/", lambda c: {"supply": "plug"}
    ),
    ("GET", "device-models/"): row(EVERYBODY, EVERYWHERE, "device-models/"),
    ("POST", "device-models/"): row(
        OFFICE, EVERYWHERE, "device-models/", lambda c: device_model("Plumb-4", "PB4", 4)
    ),
    ("GET", "device-models/<uuid:key>/"): row(EVERYBODY, EVERYWHERE, "device-models/{plumb}/"),
    ("PATCH", "device-models/<uuid:key>/"): row(
        OFFICE, EVERYWHERE, "device-models/{plumb}/", lambda c: {"compensates": "no"}
    ),
    ("GET", "products/"): row(EVERYBODY, EVERYWHERE, "products/"),
    ("POST", "products/"): row(
        OFFICE,
        EVERYWHERE,
        "products/",
        lambda c: {"code": "B3", "name": "3 kg bag", "net_mass": "3", "net_mass_unit": "kg"},
    ),
    ("GET", "products/<uuid:key>/"): row(EVERYBODY, EVERYWHERE, "products/{product}/"),
    ("PATCH", "products/<uuid:key>/"): row(
        OFFICE, EVERYWHERE, "products/{product}/", lambda c: {"discontinued": True}
    ),
    # People: read by office and auditor, let in by the administrator alone.
    ("GET", "staff/"): row(READERS, EVERYWHERE, "staff/"),
    ("POST", "staff/"): row(
        ADMINISTRATOR,
        EVERYWHERE,
        "staff/",
        lambda c: {
            "username": "wren",
            "name": "Wren Hollis",
            "password": PASSWORD,
            "role": "installer",
            "depots": [c.side.depot],
        },
    ),
    ("GET", "staff/<uuid:key>/"): row(READERS, EVERYWHERE, "staff/{installer}/"),
    ("POST", "staff/<uuid:key>/role/"): row(
        ADMINISTRATOR, EVERYWHERE, "staff/{installer}/role/", lambda c: {"role": "office"}
    ),
    ("POST", "staff/<uuid:key>/depots/"): row(
        ADMINISTRATOR,
        EVERYWHERE,
        "staff/{installer}/depots/",
        lambda c: {"depots": [c.world.tarnmouth.pk, c.world.fellgate.pk]},
    ),
    ("POST", "staff/<uuid:key>/deactivate/"): row(
        ADMINISTRATOR, EVERYWHERE, "staff/{installer}/deactivate/", WHY
    ),
    ("POST", "staff/<uuid:key>/reactivate/"): Row(
        ADMINISTRATOR, EVERYWHERE, lambda c: f"staff/{leaver(c)}/reactivate/", WHY
    ),
    ("POST", "staff/<uuid:key>/password/"): row(
        ADMINISTRATOR,
        EVERYWHERE,
        "staff/{installer}/password/",
        lambda c: {"password": "drift-lantern-oar-19"},
    ),
    # Tokens: the administrator's alone.
    ("GET", "tokens/"): row(ADMINISTRATOR, EVERYWHERE, "tokens/"),
    ("POST", "tokens/"): row(
        ADMINISTRATOR,
        EVERYWHERE,
        "tokens/",
        lambda c: {"staff": c.world.installer.staff_id, "name": "Red phone"},
    ),
    ("GET", "tokens/<uuid:key>/"): Row(ADMINISTRATOR, EVERYWHERE, lambda c: f"tokens/{token()}/"),
    ("POST", "tokens/<uuid:key>/revoke/"): Row(
        ADMINISTRATOR, EVERYWHERE, lambda c: f"tokens/{token()}/revoke/", WHY
    ),
    ("GET", "device-tokens/"): row(ADMINISTRATOR, EVERYWHERE, "device-tokens/"),
    ("POST", "device-tokens/"): row(
        ADMINISTRATOR, EVERYWHERE, "device-tokens/", lambda c: {"name": "Gateway"}
    ),
    ("GET", "device-tokens/<uuid:key>/"): Row(
        ADMINISTRATOR, EVERYWHERE, lambda c: f"device-tokens/{gateway(c)}/"
    ),
    ("POST", "device-tokens/<uuid:key>/revoke/"): Row(
        ADMINISTRATOR, EVERYWHERE, lambda c: f"device-tokens/{gateway(c)}/revoke/", WHY
    ),
    # Readings: posted by no person, read with the device; what came from nowhere may be anybody's.
    ("GET", "readings/"): row(EVERYBODY, ADDRESS, "readings/?device={device}"),
    ("POST", "readings/"): row(frozenset(), NO_PERSON, "readings/", lambda c: {"readings": []}),
    ("GET", "quarantine/"): row(EVERYBODY, EVERYWHERE, "quarantine/"),
    # History: read by everybody, put right by the office.
    ("GET", "periods/"): row(EVERYBODY, LIST, "periods/?history=locationstate&of={location}"),
    ("GET", "periods/<str:history>/<uuid:key>/"): row(
        EVERYBODY, ADDRESS, "periods/locationstate/{state}/"
    ),
    ("GET", "periods/<str:history>/<uuid:key>/plan/"): row(
        EVERYBODY, ADDRESS, "periods/locationstate/{state}/plan/?withdraw=true"
    ),
    ("POST", "periods/<str:history>/<uuid:key>/correct/"): row(
        OFFICE,
        ADDRESS,
        "periods/locationstate/{state}/correct/",
        lambda c: {"reason": "as it was", "valid_from": c.at(4)},
    ),
    ("POST", "periods/<str:history>/<uuid:key>/withdraw/"): row(
        OFFICE, ADDRESS, "periods/locationstate/{state}/withdraw/", WHY
    ),
    # Counts: for those who look, and nothing of the fleet changes by them; the office decides.
    ("GET", "counts/"): row(READERS, LIST, "counts/"),
    ("POST", "counts/"): row(
        READERS, BODY, "counts/", lambda c: {"name": "Spring", "depot": c.side.depot, "places": ["depot"]}
    ),
    ("GET", "counts/<uuid:key>/"): row(READERS, ADDRESS, "counts/{count}/"),
    ("GET", "counts/<uuid:key>/sheet/"): row(READERS, ADDRESS, "counts/{count}/sheet/"),
    ("POST", "counts/<uuid:key>/findings/"): row(
        READERS,
        ADDRESS,
        "counts/{count}/findings/",
        lambda c: {"depot": c.side.depot, "serial": c.side.serial},
    ),
    ("POST", "counts/<uuid:key>/recount/"): row(
        READERS,
        ADDRESS,
        "counts/{ready}/recount/",
        lambda c: {"depot": c.side.depot, "reason": "too dark"},
    ),
    ("POST", "counts/<uuid:key>/close/"): row(READERS, ADDRESS, "counts/{ready}/close/", lambda c: {}),
    ("GET", "counts/<uuid:key>/variance/"): row(READERS, ADDRESS, "counts/{closed}/variance/"),
    ("GET", "count-differences/<uuid:key>/"): row(
        READERS, ADDRESS, "count-differences/{difference}/"
    ),
    ("POST", "count-differences/<uuid:key>/accept/"): row(
        OFFICE, ADDRESS, "count-differences/{difference}/accept/", WHY
    ),
    ("POST", "count-differences/<uuid:key>/dismiss/"): row(
        OFFICE, ADDRESS, "count-differences/{difference}/dismiss/", WHY
    ),
    # How devices were mounted, and photos of it: the field's work; practice and erasing are the office's.
    ("GET", "mountings/"): row(EVERYBODY, LIST, "mountings/"),
    ("POST", "mountings/"): row(
        FIELD, BODY, "mountings/", lambda c: {"assignment": c.side.bare, "note": "by hand"}
    ),
    ("GET", "mountings/<uuid:key>/"): row(EVERYBODY, ADDRESS, "mountings/{mounting}/"),
    ("PATCH", "mountings/<uuid:key>/"): row(
        FIELD, ADDRESS, "mountings/{mounting}/", lambda c: {"note": "by hand"}
    ),
    ("GET", "mounting-practice/"): row(EVERYBODY, EVERYWHERE, "mounting-practice/"),
    ("GET", "mounting-practice/<slug:key>/"): row(EVERYBODY, EVERYWHERE, "mounting-practice/hole/"),
    ("PATCH", "mounting-practice/<slug:key>/"): row(
        OFFICE, EVERYWHERE, "mounting-practice/hole/", lambda c: {"least_mm": 20, "most_mm": None}
    ),
    ("GET", "photos/"): row(EVERYBODY, LIST, "photos/"),
    ("POST", "photos/"): row(
        FIELD,
        BODY,
        "photos/",
        lambda c: {
            "kind": "inside",
            "cabinet": c.side.cabinet,
            "taken_at": c.at(9),
            "content": sent_photo(),
        },
    ),
    ("GET", "photos/<uuid:key>/"): row(EVERYBODY, ADDRESS, "photos/{photo}/"),
    ("GET", "photos/<uuid:key>/image/"): row(EVERYBODY, ADDRESS, "photos/{photo}/image/"),
    ("POST", "photos/<uuid:key>/erase/"): row(OFFICE, ADDRESS, "photos/{photo}/erase/", WHY),
    # Visits are planned and released by the office, and worked by whoever goes there.
    ("GET", "visits/"): row(EVERYBODY, LIST, "visits/"),
    ("POST", "visits/"): row(
        OFFICE,
        BODY,
        "visits/",
        lambda c: {"location": c.side.location, "kind": "survey", "planned_on": visiting.day_of(c.world)},
    ),
    ("GET", "visits/<uuid:key>/"): row(EVERYBODY, ADDRESS, "visits/{visit}/"),
    ("PATCH", "visits/<uuid:key>/"): row(
        OFFICE, ADDRESS, "visits/{visit}/", lambda c: {"note": "Ring first"}
    ),
    ("POST", "visits/<uuid:key>/release/"): row(OFFICE, ADDRESS, "visits/{visit}/release/", lambda c: {}),
    ("POST", "visits/<uuid:key>/acknowledge/"): Row(
        FIELD,
        ADDRESS,
        lambda c: f"visits/{visit_gone_on(c, 'released')}/acknowledge/",
        lambda c: {"cabinet": c.side.cabinet, "codes": cautions_there(c)},
    ),
    ("POST", "visits/<uuid:key>/begin/"): Row(
        FIELD, ADDRESS, lambda c: f"visits/{visit_gone_on(c, 'released', read=True)}/begin/", lambda c: {}
    ),
    ("POST", "visits/<uuid:key>/finish/"): Row(
        FIELD, ADDRESS, lambda c: f"visits/{visit_gone_on(c, 'begun')}/finish/", lambda c: {"outcome": "well"}
    ),
    ("POST", "visits/<uuid:key>/cancel/"): row(
        FIELD, ADDRESS, "visits/{visit}/cancel/", lambda c: {"reason": "too wet"}
    ),
    ("GET", "visits/<uuid:key>/kit/"): row(EVERYBODY, ADDRESS, "visits/{visit}/kit/"),
    ("GET", "kit/"): row(EVERYBODY, EVERYWHERE, "kit/?day=2026-03-02"),
    # Which surveys are of their depots is held in test_visits_api.py.
    ("GET", "surveys/"): row(EVERYBODY, EVERYWHERE, "surveys/"),
    ("POST", "surveys/"): row(
        FIELD, BODY, "surveys/", lambda c: {"cabinet": c.side.cabinet, "outcome": "suitable"}
    ),
    ("GET", "surveys/<uuid:key>/"): Row(EVERYBODY, ADDRESS, lambda c: f"surveys/{survey_of(c)}/"),
    ("GET", "cabinets/<uuid:key>/cautions/"): row(EVERYBODY, ADDRESS, "cabinets/{cabinet}/cautions/"),
    # The kit is part of the catalogue.
    ("GET", "kit-parts/"): row(EVERYBODY, EVERYWHERE, "kit-parts/"),
    ("POST", "kit-parts/"): row(
        OFFICE, EVERYWHERE, "kit-parts/", lambda c: {"code": "RAIL-S", "name": "Short rail"}
    ),
    ("POST", "kit-parts/adopt/"): row(OFFICE, EVERYWHERE, "kit-parts/adopt/", lambda c: {}),
    ("GET", "kit-parts/<uuid:key>/"): Row(EVERYBODY, EVERYWHERE, lambda c: f"kit-parts/{kit_part(c)}/"),
    ("PATCH", "kit-parts/<uuid:key>/"): Row(
        OFFICE, EVERYWHERE, lambda c: f"kit-parts/{kit_part(c)}/", lambda c: {"discontinued": True}
    ),
    ("GET", "kit-rules/"): row(EVERYBODY, EVERYWHERE, "kit-rules/"),
    ("POST", "kit-rules/"): row(
        OFFICE,
        EVERYWHERE,
        "kit-rules/",
        lambda c: {"part": kit_part(c), "name": "One for each", "quantity": 1},
    ),
    ("GET", "kit-rules/<uuid:key>/"): Row(EVERYBODY, EVERYWHERE, lambda c: f"kit-rules/{kit_rule(c)}/"),
    ("POST", "kit-rules/<uuid:key>/withdraw/"): Row(
        OFFICE, EVERYWHERE, lambda c: f"kit-rules/{kit_rule(c)}/withdraw/", WHY
    ),
    # Everything at a moment, counted; accounts are the whole company's.
    ("GET", "fleet/"): row(EVERYBODY, EVERYWHERE, "fleet/"),
    ("GET", "accounts/<uuid:key>/fleet/"): row(EVERYBODY, EVERYWHERE, "accounts/{account}/fleet/"),
    # What changed between two states of knowledge: what is in sight is told to everybody who reads.
    ("GET", "differences/"): row(
        EVERYBODY, ADDRESS, "differences/?location={location}&from_known=1"
    ),
    # The ledger: of all depots at once.
    ("GET", "entries/"): row(READERS, WHOLE, "entries/"),
    ("GET", "entries/<int:key>/"): row(READERS, WHOLE, "entries/7/"),
    ("GET", "entries/<int:key>/receipt/"): row(READERS, WHOLE, "entries/7/receipt/"),
    ("GET", "locations/<uuid:key>/receipt/"): row(READERS, WHOLE, "locations/{location}/receipt/"),
    ("GET", "devices/<uuid:key>/receipt/"): row(READERS, WHOLE, "devices/{device}/receipt/"),
    # Checkpoints tell nothing of any depot; made and compared by who reads the whole ledger.
    ("GET", "checkpoints/"): row(EVERYBODY, EVERYWHERE, "checkpoints/"),
    ("POST", "checkpoints/"): row(READERS, WHOLE, "checkpoints/"),
    ("GET", "checkpoints/standing/"): row(EVERYBODY, EVERYWHERE, "checkpoints/standing/"),
    ("GET", "checkpoints/<int:key>/"): Row(EVERYBODY, EVERYWHERE, lambda c: f"checkpoints/{signed()}/"),
    ("GET", "checkpoints/<int:key>/consistency/"): Row(
        READERS, WHOLE, lambda c: f"checkpoints/{signed()}/consistency/"
    ),
    ("GET", "epcis/"): row(
        READERS, WHOLE, "epcis/?from=2026-01-01T00:00:00Z&to=2026-03-01T00:00:00Z"
    ),
}  # fmt: skip
# In a list, the key of something that must be there, and of a row that must not: by address.
IN_LISTS = {
    "assignments/": "assignment",
    "cabinets/": "cabinet",
    "contacts/": "contact",
    "counts/": "count",
    "depots/": "depot",
    "devices/": "device",
    "locations/": "location",
    "mountings/": "mounting",
    "periods/": "state",
    "photos/": "photo",
    "visits/": "visit",
}


def account_of(case: Case, name: str) -> UUID:
    """Return the key of an account without locations, which may be closed already."""
    code = case.world.code(name.upper())
    found = accounts.register_account(
        case.world.office, particulars={"code": code, "name": "Pier & Pantry"}, valid_from=case.world.start
    )
    if name == "closed":
        accounts.close_account(case.world.office, account_id=found.pk, valid_from=case.world.start + 5 * DAY)
    return found.pk


def leaver(case: Case) -> UUID:
    """Return the key of somebody who left."""
    them = person(case.world, "installer", case.world.tarnmouth)
    assert them.staff_id is not None
    staff.deactivate_staff(case.world.administrator, staff_id=them.staff_id)
    return them.staff_id


def signed() -> int:
    """Return the size of a checkpoint of everything."""
    return make_checkpoint(SYSTEM).size


def passed_check(case: Case) -> UUID:
    """Return the key of a check of this side that can be signed off."""
    return check_that_passed(case.world, case.side.assignment)


def visit_gone_on(case: Case, state: str, *, read: bool = False) -> UUID:
    """Return the key of the side's visit, which is then in this state."""
    return gone_on(case.world, case.side.visit, VisitState(state), read=read)


def cautions_there(case: Case) -> list[str]:
    """Return the codes of the cautions of the side's cabinet."""
    cabinet = Cabinet.objects.filter(pk=case.side.cabinet).first()
    return [caution.code for caution in cautions_of(cabinet)] if cabinet else ["ladder"]


def survey_of(case: Case) -> UUID:
    """Return the key of a survey of the side's cabinet; the cabinet's where there is no such cabinet."""
    cabinet = Cabinet.objects.filter(pk=case.side.cabinet).first()
    return visiting.surveyed(case.world, cabinet).pk if cabinet else case.side.cabinet


def kit_part(case: Case) -> UUID:
    """Return the key of a part."""
    return (KitPart.objects.first() or visiting.part(case.world)).pk


def kit_rule(case: Case) -> UUID:
    """Return the key of a rule in force."""
    return (KitRule.objects.first() or visiting.rule(case.world)).pk


def gateway(case: Case) -> UUID:
    """Return the key of a token that may report."""
    found = DeviceToken.objects.first()
    return (found or tokens.issue_device_token(case.world.administrator, name="Gateway")[0]).pk


def token() -> UUID:
    """Return the key of a token: the one that was issued first, which nobody here asks with."""
    return ApiToken.objects.earliest("registered", "pk").pk


# --- the whole site ----------------------------------------------------------------------------------------

METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
ELSEWHERE = ""  # the pattern that takes every other address of the API


def addresses(resolver: Any = None, before: str = "") -> Iterator[tuple[str, Any]]:
    """Walk every pattern of the site: its route from the root, and what answers."""
    for pattern in (resolver or get_resolver()).url_patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from addresses(pattern, route)
        else:
            assert isinstance(pattern, URLPattern)
            yield route, pattern.callback


def methods_of(callback: Any) -> set[str]:
    view = getattr(callback, "cls", None) or callback.view_class
    return {
        method
        for method in METHODS
        if method.lower() in view.http_method_names and hasattr(view, method.lower())
    } - ({"OPTIONS"} if getattr(view, "metadata_class", True) is None else set())


def test_every_address_and_method_of_the_api_has_a_row_and_every_row_an_address() -> None:
    served = {
        (method, route.removeprefix("api/v1/"))
        for route, callback in addresses()
        if route.startswith("api/v1/") and route != f"api/v1/{ELSEWHERE}"
        for method in methods_of(callback)
    }
    assert served == set(TABLE)


def test_the_site_has_these_faces_only() -> None:
    """The console has a table of its own, in tests/console; the field page shows its shell to anybody."""
    tops = {re.match(r"[^/]*/?", route).group() for route, _ in addresses()}  # type: ignore[union-attr]
    assert tops == {"", "console/", "api/", "field/"}


# --- the people ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Company:
    """A register of two depots, and somebody of each role, for one of them and for all."""

    own: Case
    other: Case
    absent: Case
    of_tarnmouth: dict[str, Person]
    of_all: dict[str, Person]


@pytest.fixture
def company(world: World, api: Api) -> Company:
    ours, theirs = side(world, world.tarnmouth), side(world, world.fellgate)
    nowhere = Side(**{field.name: uuid4() for field in fields(Side)})  # type: ignore[arg-type]
    absent = Side(**{**asdict(nowhere), "serial": world.serial()})
    api.as_(world.installer)  # the first token, of a phone that is asked with nothing here
    return Company(
        own=Case(world, ours, own=True),
        other=Case(world, theirs, own=False),
        absent=Case(world, absent, own=False),
        of_tarnmouth={role: api.as_(person(world, role, world.tarnmouth)) for role in ROLES},
        of_all={role: api.as_(person(world, role, everywhere=True)) for role in ROLES},
    )


def conditions(method: str) -> dict[str, str]:
    """Return the headers without which a change is not made."""
    return {"If-Match": "*", "Idempotency-Key": f'"{uuid4()}"'} if method in ("POST", "PATCH") else {}


def ask(asker: Person, method: str, wanted: Row, case: Case) -> Reply:
    body = None if wanted.body is None else wanted.body(case)
    return asker.send(method, wanted.address(case), body=body, headers=conditions(method))


def is_fine(reply: Reply) -> bool:
    return 200 <= reply.status < 300


def test_each_role_may_do_what_the_table_says_and_nothing_else(
    company: Company, subtests: pytest.Subtests
) -> None:
    for (method, route), wanted in TABLE.items():
        for role in ROLES:
            with subtests.test(method=method, route=route, role=role):
                near, far = company.of_tarnmouth[role], company.of_all[role]
                if role not in wanted.who:
                    refuses(company, method, wanted, near, far)
                elif wanted.depots == WHOLE:
                    told(ask(near, method, wanted, company.own), 403, "role_forbids")
                    assert is_fine(ask(far, method, wanted, company.own))
                else:
                    allows(company, method, wanted, near, far)


def refuses(company: Company, method: str, wanted: Row, near: Person, far: Person) -> None:
    """Hold that people are told that their role forbids it, wherever, and that nothing changes."""
    asked = ((near, company.own), (far, company.other), (near, company.absent))
    with undone():
        prepared = [(who, wanted.address(case), wanted.body and wanted.body(case)) for who, case in asked]
        with nothing_changed():
            for asker, address, body in prepared:
                reply = asker.send(method, address, body=body, headers=conditions(method))
                told(reply, *refusal_of(wanted))


def refusal_of(wanted: Row) -> tuple[int, str]:
    return (401, "not_signed_in") if wanted.depots == NO_PERSON else (403, "role_forbids")


def allows(company: Company, method: str, wanted: Row, near: Person, far: Person) -> None:
    """Hold that a person of all depots may everywhere, and one of Tarnmouth at home only."""
    for asker, case in ((near, company.own), (far, company.other)):
        with undone():
            reply = ask(asker, method, wanted, case)
        assert is_fine(reply), reply.text
    if method == "GET":
        with undone():
            assert ask(near, "HEAD", wanted, company.own).status == reply.status
    if wanted.depots in (EVERYWHERE, OPEN):
        with undone():
            assert is_fine(ask(near, method, wanted, company.other))
    elif wanted.depots in (ADDRESS, BODY):
        with undone():
            prepared = [
                (wanted.address(case), wanted.body and wanted.body(case))
                for case in (company.other, company.absent)
            ]
            with nothing_changed():
                hidden, absent = (
                    near.send(method, address, body=body, headers=conditions(method))
                    for address, body in prepared
                )
        told(hidden, 404 if wanted.depots == ADDRESS else 422, "not_found")
        assert (hidden.status, hidden.text) == (absent.status, absent.text)
        assert hidden.headers == absent.headers
    else:
        assert wanted.depots == LIST
        listed(company, wanted, near, far)


def listed(company: Company, wanted: Row, near: Person, far: Person) -> None:
    """Hold that a list shows what is of Tarnmouth to both, and what is of Fellgate to one of them."""
    mine, theirs = wanted.address(company.own), wanted.address(company.other)
    name = next((name for place, name in IN_LISTS.items() if mine.split("?")[0] == place), None)
    if name is not None:
        ours, others = str(getattr(company.own.side, name)), str(getattr(company.other.side, name))
        assert ours in {one["id"] for one in near.rows(mine)}
        assert others not in {one["id"] for address in (mine, theirs) for one in near.rows(address)}
        assert others in {one["id"] for one in far.rows(theirs)}
        return
    if "suggest" in mine:
        shown: Callable[[Reply], Any] = lambda reply: [found["serial"] for found in reply["exact"]]  # noqa: E731
    else:
        shown = lambda reply: [found["label"] for found in reply["matches"]]  # noqa: E731
    assert shown(ok(near.get(mine))) == [company.own.side.serial]
    assert shown(ok(near.get(theirs))) == []
    assert shown(ok(far.get(theirs))) == [company.other.side.serial]


# --- strangers, auditors, and methods that nobody has -------------------------------------------------------


def test_nobody_gets_anything_without_signing_in(company: Company, subtests: pytest.Subtests) -> None:
    nobody = Client()
    for (method, route), wanted in TABLE.items():
        with subtests.test(method=method, route=route):
            address, body = wanted.address(company.own), wanted.body and wanted.body(company.own)
            with nothing_changed():
                answer = nobody.generic(
                    method,
                    ROOT + address,
                    "" if body is None else "{}",
                    content_type="application/json",
                    headers=conditions(method),
                )
            if wanted.depots == OPEN:
                assert answer.status_code == 200
                continue
            assert answer.status_code == 401
            reply = Reply(401, dict(answer.headers), answer.content.decode())
            check_problem(reply)
            assert (reply["code"], reply.headers["WWW-Authenticate"]) == ("not_signed_in", "Bearer")


def test_an_auditor_changes_nothing_of_the_fleet(company: Company, subtests: pytest.Subtests) -> None:
    everything = [(key, wanted) for key, wanted in TABLE.items() if key[0] not in ("GET", "OPTIONS")]
    changing = [(key, wanted) for key, wanted in everything if "auditor" not in wanted.who]
    assert {route.split("/")[0] for (_, route), wanted in everything if "auditor" in wanted.who} == {
        "counts",
        "checkpoints",  # no change: one signs what is there
    }
    assert len(changing) > 40
    prepared = [
        (key, wanted, wanted.address(company.own), wanted.body and wanted.body(company.own))
        for key, wanted in changing
    ]
    with nothing_changed():
        for (method, route), wanted, address, body in prepared:
            for asker in (company.of_tarnmouth["auditor"], company.of_all["auditor"]):
                with subtests.test(method=method, route=route):
                    reply = asker.send(method, address, body=body, headers=conditions(method))
                    told(reply, *refusal_of(wanted))
                    # Nor is it told to an auditor what else would be wrong with it.
                    told(asker.send(method, address, body={"x": 1}), *refusal_of(wanted))


def test_a_method_without_a_row_is_known_to_nobody(company: Company, subtests: pytest.Subtests) -> None:
    administrator = company.of_all["administrator"]
    with undone():
        routes: dict[str, str] = {}
        for (_, route), wanted in TABLE.items():
            routes.setdefault(route, wanted.address(company.own))
        with nothing_changed():
            for route, address in routes.items():
                for method in (*METHODS, "TRACE", "PURGE"):
                    if (method, route) in TABLE:
                        continue
                    with subtests.test(method=method, route=route):
                        answer = administrator.client.generic(
                            method,
                            ROOT + address,
                            headers={"Authorization": f"Bearer {administrator.secret}"},
                        )
                        assert answer.status_code == 405
                        if route != "docs/":
                            check_problem(Reply(405, dict(answer.headers), answer.content.decode()))


def test_there_is_nothing_at_any_other_address(company: Company) -> None:
    administrator = company.of_all["administrator"]
    for method in METHODS:
        for address in ("", "nothing/", "assignments", f"assignments/{uuid4()}", "devices/x/", "../v2/"):
            with nothing_changed():
                told(administrator.send(method, address), 404, "not_found")
