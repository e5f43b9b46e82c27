"""Every action by every role, in the own and in another depot: one table, written apart from the code's."""

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from inspect import signature

import pytest

from registry import actions
from registry.actions import (
    acceptance,
    accounts,
    assignments,
    cabinets,
    counts,
    devices,
    kit,
    locations,
    mountings,
    periods,
    photos,
    products,
    provisional,
    register,
    staff,
    surveys,
    tokens,
    visits,
)
from registry.actions._action import ACTIONS, Actor
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Count, CountItem, Depot, Device, LocationState, Staff
from registry.models.base import Record
from registry.queries.visits import cautions_of
from registry.rules.errors import RuleBroken
from registry.rules.kit import USUAL
from registry.rules.splits import Share
from tests.actions.unchanged import entry_of, nothing_changed, refused, undone
from tests.factories import visiting
from tests.factories.evidence import facts, kept_photo, mounted, photographed
from tests.factories.playing import BELOW, hung, passed, report
from tests.factories.world import DAY, PASSWORD, World, device_model, new_location, person

MODULES = [
    importlib.import_module(f"registry.actions.{found.name}")
    for found in pkgutil.iter_modules(actions.__path__)
]
FUNCTIONS = {name: getattr(module, name) for module in MODULES for name in ACTIONS if hasattr(module, name)}

ROLES = ("office", "installer", "auditor", "administrator")
OFFICE = {"office", "administrator"}
COUNTERS = {"office", "administrator", "auditor"}
FIELD = {"office", "administrator", "installer"}
LEADS = {"administrator"}

Call = Callable[..., object]
Prepared = tuple[Call, Mapping[str, Record]]
Prepare = Callable[[World], Prepared]


@dataclass(frozen=True)
class Row:
    """Who may, whether in their own depots only, and what the entry then says and images."""

    who: set[str]
    scoped: bool
    verb: str
    about: str  # the parts that the subjects play, in order
    wrote: str  # "+table" for each new row, "~table" for each changed one, in order
    prepare: Prepare
    reason: str = ""  # of an action that takes none by that name


ROWS: dict[str, Row] = {}


def row(
    who: set[str], verb: str, about: str, wrote: str, *, scoped: bool, reason: str = ""
) -> Callable[[Prepare], Prepare]:
    def keep(prepare: Prepare) -> Prepare:
        ROWS[prepare.__name__] = Row(who, scoped, verb, about, wrote, prepare, reason)
        return prepare

    return keep


def noon(world: World) -> object:
    return world.start + 5 * DAY


# --- people and the catalogue: no depot's own ----------------------------------------------------------


@row(LEADS, "staff.added", "staff depot", "+staff +staffdepot", scoped=False)
def add_staff(world: World) -> Prepared:
    def call(actor: Actor, **more: str) -> object:
        return staff.add_staff(
            actor,
            **more,
            username="wren",
            name="Wren Saltmarsh",
            password=PASSWORD,
            role="installer",
            depots=[world.fellgate.pk],
        )

    return call, {"depot": world.fellgate}


def colleague(world: World) -> Staff:
    return Staff.objects.get(pk=world.installer.staff_id)


@row(LEADS, "staff.role_changed", "staff", "~staff", scoped=False)
def change_role(world: World) -> Prepared:
    them = colleague(world)
    return lambda actor, **more: staff.change_role(actor, **more, staff_id=them.pk, role="auditor"), {
        "staff": them
    }


@row(LEADS, "staff.depots_changed", "staff depot", "~staffdepot +staffdepot", scoped=False)
def change_depots(world: World) -> Prepared:
    them = colleague(world)
    return (
        lambda actor, **more: staff.change_depots(
            actor, **more, staff_id=them.pk, depots=[world.fellgate.pk]
        ),
        {"staff": them, "depot": world.fellgate},
    )


@row(LEADS, "staff.deactivated", "staff", "~staff", scoped=False)
def deactivate_staff(world: World) -> Prepared:
    them = colleague(world)
    return lambda actor, **more: staff.deactivate_staff(actor, **more, staff_id=them.pk), {"staff": them}


@row(LEADS, "staff.reactivated", "staff", "~staff", scoped=False)
def reactivate_staff(world: World) -> Prepared:
    them = colleague(world)
    staff.deactivate_staff(world.administrator, staff_id=them.pk)
    return lambda actor, **more: staff.reactivate_staff(actor, **more, staff_id=them.pk), {"staff": them}


@row(LEADS, "staff.password_set", "staff", "", scoped=False)
def set_password(world: World) -> Prepared:
    them = colleague(world)
    return (
        lambda actor, **more: staff.set_password(actor, **more, staff_id=them.pk, password="another-tide-8"),
        {"staff": them},
    )


@row(LEADS, "token.issued", "token staff", "+apitoken", scoped=False)
def issue_token(world: World) -> Prepared:
    them = colleague(world)
    return (
        lambda actor, **more: tokens.issue_token(actor, **more, staff_id=them.pk, name="Red phone"),
        {"staff": them},
    )


# --- acceptance ---------------------------------------------------------------------------------------


@row(
    FIELD,
    "acceptance.checked",
    "acceptance device cabinet location",
    "+acceptancecheck",
    scoped=True,
    reason="Said on the ladder",
)
def check_installation(world: World) -> Prepared:
    assignment = hung(world)
    report(world, assignment.device.serial, reports=3)
    return (
        lambda actor, **more: acceptance.check_installation(
            actor, **more, assignment_id=assignment.period, tape_mm=BELOW, note="Said on the ladder"
        ),
        {"device": assignment.device, "cabinet": assignment.cabinet, "location": world.location},
    )


@row(
    FIELD,
    "acceptance.signed_off",
    "acceptance device cabinet location",
    "~acceptancecheck",
    scoped=True,
    reason="Said on the ladder",
)
def sign_off(world: World) -> Prepared:
    check = passed(world)
    return (
        lambda actor, **more: acceptance.sign_off(
            actor, **more, check_id=check.pk, note="Said on the ladder"
        ),
        {"acceptance": check, "device": check.device, "cabinet": check.cabinet, "location": world.location},
    )


@row(LEADS, "device_token.issued", "device_token device", "+devicetoken", scoped=False)
def issue_device_token(world: World) -> Prepared:
    device = world.device()
    return (
        lambda actor, **more: tokens.issue_device_token(actor, **more, name="rail 7", device_id=device.pk),
        {"device": device},
    )


@row(LEADS, "device_token.revoked", "device_token", "~devicetoken", scoped=False)
def revoke_device_token(world: World) -> Prepared:
    token, _ = tokens.issue_device_token(world.administrator, name="Gateway")
    return (
        lambda actor, **more: tokens.revoke_device_token(actor, **more, device_token_id=token.pk),
        {"device_token": token},
    )


@row(LEADS, "token.revoked", "token staff", "~apitoken", scoped=False)
def revoke_token(world: World) -> Prepared:
    them = colleague(world)
    token, _ = tokens.issue_token(world.administrator, staff_id=them.pk, name="Red phone")
    return (
        lambda actor, **more: tokens.revoke_token(actor, **more, token_id=token.pk),
        {"token": token, "staff": them},
    )


@row(OFFICE, "depot.registered", "depot", "+depot", scoped=False)
def register_depot(world: World) -> Prepared:
    return lambda actor, **more: locations.register_depot(
        actor, **more, particulars={"code": "OS", "name": "Otter Sound"}
    ), {}


@row(OFFICE, "depot.corrected", "depot", "~depot", scoped=False)
def correct_depot(world: World) -> Prepared:
    return (
        lambda actor, **more: locations.correct_depot(
            actor, **more, depot_id=world.tarnmouth.pk, particulars={"name": "Tarnmouth Quay"}
        ),
        {"depot": world.tarnmouth},
    )


@row(OFFICE, "cabinet_model.registered", "cabinet_model", "+cabinetmodel", scoped=False)
def register_cabinet_model(world: World) -> Prepared:
    particulars = {"name": "Cove 70", "sensor_count": 4}
    return lambda actor, **more: cabinets.register_cabinet_model(actor, **more, particulars=particulars), {}


@row(OFFICE, "cabinet_model.corrected", "cabinet_model", "~cabinetmodel", scoped=False)
def correct_cabinet_model(world: World) -> Prepared:
    return (
        lambda actor, **more: cabinets.correct_cabinet_model(
            actor, **more, cabinet_model_id=world.cove.pk, particulars={"interior_depth_mm": 600}
        ),
        {"cabinet_model": world.cove},
    )


@row(OFFICE, "device_model.registered", "device_model", "+devicemodel", scoped=False)
def register_device_model(world: World) -> Prepared:
    particulars = device_model("Plumb-4", "PB4", 4)
    return lambda actor, **more: devices.register_device_model(actor, **more, particulars=particulars), {}


@row(OFFICE, "device_model.corrected", "device_model", "~devicemodel", scoped=False)
def correct_device_model(world: World) -> Prepared:
    return (
        lambda actor, **more: devices.correct_device_model(
            actor, **more, device_model_id=world.plumb_3.pk, particulars={"compensates": "no"}
        ),
        {"device_model": world.plumb_3},
    )


@row(OFFICE, "product.registered", "product", "+product", scoped=False)
def register_product(world: World) -> Prepared:
    particulars = {"code": "B3K", "name": "3 kg bag", "net_mass": "3", "net_mass_unit": "kg"}
    return lambda actor, **more: products.register_product(actor, **more, particulars=particulars), {}


@row(OFFICE, "product.corrected", "product", "~product", scoped=False)
def correct_product(world: World) -> Prepared:
    return (
        lambda actor, **more: products.correct_product(
            actor, **more, product_id=world.eight_lb.pk, particulars={"discontinued": True}
        ),
        {"product": world.eight_lb},
    )


# --- accounts: customers of every depot ----------------------------------------------------------------


@row(OFFICE, "account.registered", "account", "+account +accountstate", scoped=False)
def register_account(world: World) -> Prepared:
    particulars = {"code": "PP", "name": "Pier & Pantry"}
    return (
        lambda actor, **more: accounts.register_account(
            actor, **more, particulars=particulars, valid_from=world.start
        ),
        {},
    )


@row(OFFICE, "account.corrected", "account", "~account", scoped=False)
def correct_account(world: World) -> Prepared:
    return (
        lambda actor, **more: accounts.correct_account(
            actor, **more, account_id=world.account.pk, particulars={"name": "Lantern Fuel & Bait"}
        ),
        {"account": world.account},
    )


def empty_account(world: World) -> Record:
    return accounts.register_account(
        world.office, particulars={"code": "GM", "name": "Gannet Marina Stores"}, valid_from=world.start
    )


@row(OFFICE, "account.closed", "account", "~accountstate +accountstate +accountstate", scoped=False)
def close_account(world: World) -> Prepared:
    account = empty_account(world)
    return (
        lambda actor, **more: accounts.close_account(
            actor, **more, account_id=account.pk, valid_from=noon(world)
        ),
        {"account": account},
    )


@row(OFFICE, "account.reopened", "account", "~accountstate +accountstate +accountstate", scoped=False)
def reopen_account(world: World) -> Prepared:
    account = empty_account(world)
    accounts.close_account(world.office, account_id=account.pk, valid_from=world.start + DAY)
    return (
        lambda actor, **more: accounts.reopen_account(
            actor, **more, account_id=account.pk, valid_from=noon(world)
        ),
        {"account": account},
    )


# --- locations -----------------------------------------------------------------------------------------

STORE = "+location +locationholding +locationstate"


@row(OFFICE, "location.registered", "location account", STORE, scoped=True)
def register_location(world: World) -> Prepared:
    return (
        lambda actor, **more: locations.register_location(
            actor,
            **more,
            account_id=world.account.pk,
            location=new_location(world.tarnmouth, "0043"),
            valid_from=world.start,
        ),
        {"account": world.account},
    )


@row(
    OFFICE,
    "location.taken_over",
    "location account cabinet device",
    STORE + " +cabinet +cabinetwhereabouts +splitshare +split +device +devicewhereabouts",
    scoped=True,
)
def take_over_location(world: World) -> Prepared:
    cabinet = NewCabinet(
        world.cove.pk,
        {"asset_tag": "SK-9"},
        [Share(world.eight_lb.pk, 10_000)],
        NewDevice(world.plumb_3.pk, world.serial()),
    )
    store = replace(new_location(world.tarnmouth, "0043"), cabinets=[cabinet])
    return (
        lambda actor, **more: locations.take_over_location(
            actor, **more, account_id=world.account.pk, location=store, known_by=world.start
        ),
        {"account": world.account},
    )


@row(OFFICE, "location.corrected", "location", "~location", scoped=True)
def correct_location(world: World) -> Prepared:
    return (
        lambda actor, **more: locations.correct_location(
            actor, **more, location_id=world.location.pk, particulars={"name": "Harbour Road East"}
        ),
        {"location": world.location},
    )


@row(OFFICE, "location.state_set", "location", "~locationstate +locationstate +locationstate", scoped=True)
def set_location_state(world: World) -> Prepared:
    return (
        lambda actor, **more: locations.set_location_state(
            actor, **more, location_id=world.location.pk, state="asleep", valid_from=noon(world)
        ),
        {"location": world.location},
    )


CUSTODY = "~devicewhereabouts +devicewhereabouts +devicewhereabouts"
STAY = "~cabinetwhereabouts +cabinetwhereabouts +cabinetwhereabouts"


@row(
    OFFICE,
    "location.closed",
    "location cabinet device",
    f"{CUSTODY} {STAY} ~locationstate +locationstate +locationstate",
    scoped=True,
)
def close_location(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    return (
        lambda actor, **more: locations.close_location(
            actor,
            **more,
            location_id=world.location.pk,
            valid_from=noon(world),
            cabinets_to=world.tarnmouth.pk,
        ),
        {"location": world.location, "cabinet": cabinet, "device": device},
    )


@row(
    OFFICE,
    "location.handed_over",
    "location from account",
    "~locationholding +locationholding +locationholding",
    scoped=True,
)
def hand_location(world: World) -> Prepared:
    account = empty_account(world)
    return (
        lambda actor, **more: locations.hand_location(
            actor,
            **more,
            location_id=world.location.pk,
            account_id=account.pk,
            store_number="7",
            valid_from=noon(world),
        ),
        {"location": world.location, "from": world.account, "account": account},
    )


@row(OFFICE, "contact.registered", "contact location", "+contact", scoped=True)
def register_contact(world: World) -> Prepared:
    return (
        lambda actor, **more: locations.register_contact(
            actor, **more, location_id=world.location.pk, text={"name": "Tamsin Reed", "phone": "555-0134"}
        ),
        {"location": world.location},
    )


def someone(world: World) -> Record:
    return locations.register_contact(
        world.office, location_id=world.location.pk, text={"name": "Tamsin Reed"}
    )


@row(OFFICE, "contact.corrected", "contact location", "~contact", scoped=True)
def correct_contact(world: World) -> Prepared:
    contact = someone(world)
    return (
        lambda actor, **more: locations.correct_contact(
            actor, **more, contact_id=contact.pk, text={"name": "Tamsin Reeve"}
        ),
        {"contact": contact, "location": world.location},
    )


@row(OFFICE, "contact.erased", "contact location", "~contact", scoped=True)
def erase_contact(world: World) -> Prepared:
    contact = someone(world)
    return (
        lambda actor, **more: locations.erase_contact(actor, **more, contact_id=contact.pk),
        {"contact": contact, "location": world.location},
    )


# --- cabinets ------------------------------------------------------------------------------------------


@row(FIELD, "cabinet.registered", "cabinet to", "+cabinet +cabinetwhereabouts", scoped=True)
def register_cabinet(world: World) -> Prepared:
    return (
        lambda actor, **more: cabinets.register_cabinet(
            actor,
            **more,
            cabinet=NewCabinet(world.cove.pk, {"asset_tag": "SK-9"}),
            valid_from=noon(world),
            location_id=world.location.pk,
        ),
        {"to": world.location},
    )


@row(FIELD, "cabinet.corrected", "cabinet at", "~cabinet", scoped=True)
def correct_cabinet(world: World) -> Prepared:
    cabinet = world.cabinet()
    return (
        lambda actor, **more: cabinets.correct_cabinet(
            actor, **more, cabinet_id=cabinet.pk, particulars={"setting": "outdoor"}
        ),
        {"cabinet": cabinet, "at": world.location},
    )


@row(FIELD, "cabinet.moved", "cabinet from to device", STAY, scoped=True)
def move_cabinet(world: World) -> Prepared:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    world.assigned(device, cabinet)
    return (
        lambda actor, **more: cabinets.move_cabinet(
            actor,
            **more,
            cabinet_id=cabinet.pk,
            location_id=store.pk,
            valid_from=noon(world),
            devices="follow",
        ),
        {"cabinet": cabinet, "from": world.location, "to": store, "device": device},
    )


@row(OFFICE, "cabinet.scrapped", "cabinet from removed", f"{CUSTODY} {STAY}", scoped=True)
def scrap_cabinet(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    return (
        lambda actor, **more: cabinets.scrap_cabinet(
            actor, **more, cabinet_id=cabinet.pk, valid_from=noon(world)
        ),
        {"cabinet": cabinet, "from": world.location, "removed": device},
    )


@row(
    FIELD,
    "split.set",
    "cabinet location product product",
    "+splitshare +splitshare ~split +splitshare +splitshare +split +split",
    scoped=True,
)
def set_split(world: World) -> Prepared:
    cabinet = world.cabinet(split=True)
    shares = [Share(world.eight_lb.pk, 5_000), Share(world.eighteen_lb.pk, 5_000)]
    return (
        lambda actor, **more: products.set_split(
            actor, **more, cabinet_id=cabinet.pk, shares=shares, valid_from=noon(world)
        ),
        {"cabinet": cabinet, "location": world.location},
    )


# --- devices -------------------------------------------------------------------------------------------


@row(OFFICE, "devices.received", "device depot", "+device +devicewhereabouts", scoped=True)
def receive_devices(world: World) -> Prepared:
    new = [NewDevice(world.plumb_3.pk, world.serial())]
    return (
        lambda actor, **more: devices.receive_devices(
            actor, **more, devices=new, depot_id=world.tarnmouth.pk, valid_from=noon(world)
        ),
        {"depot": world.tarnmouth},
    )


@row(OFFICE, "device.corrected", "device", "~device", scoped=True)
def correct_device(world: World) -> Prepared:
    device = world.device()
    return (
        lambda actor, **more: devices.correct_device(actor, **more, device_id=device.pk, firmware="2.1.0"),
        {"device": device},
    )


@row(FIELD, "device.handed_over", "device from to", CUSTODY, scoped=True)
def hand_over_device(world: World) -> Prepared:
    device, them = world.device(), colleague(world)
    return (
        lambda actor, **more: devices.hand_over_device(
            actor, **more, device_id=device.pk, valid_from=noon(world), staff_id=them.pk
        ),
        {"device": device, "from": world.tarnmouth, "to": them},
    )


@row(FIELD, "device.sent_to_repair", "device from to", CUSTODY, scoped=True)
def send_device_to_repair(world: World) -> Prepared:
    device = world.device()
    return (
        lambda actor, **more: devices.send_device_to_repair(
            actor, **more, device_id=device.pk, valid_from=noon(world), reference="RMA-17"
        ),
        {"device": device, "from": world.tarnmouth, "to": world.tarnmouth},
    )


@row(FIELD, "device.returned", "device from to", CUSTODY, scoped=True)
def return_device_from_repair(world: World) -> Prepared:
    device = world.device()
    devices.send_device_to_repair(world.office, device_id=device.pk, valid_from=world.start + 3 * DAY)
    return (
        lambda actor, **more: devices.return_device_from_repair(
            actor, **more, device_id=device.pk, valid_from=noon(world), depot_id=world.tarnmouth.pk
        ),
        {"device": device, "from": world.tarnmouth, "to": world.tarnmouth},
    )


@row(FIELD, "device.lost", "device from to location", CUSTODY, scoped=True)
def mark_device_lost(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    return (
        lambda actor, **more: devices.mark_device_lost(
            actor, **more, device_id=device.pk, valid_from=noon(world)
        ),
        {"device": device, "from": cabinet, "to": world.tarnmouth, "location": world.location},
    )


@row(OFFICE, "device.retired", "device from to", CUSTODY, scoped=True)
def retire_device(world: World) -> Prepared:
    device = world.device()
    return (
        lambda actor, **more: devices.retire_device(
            actor, **more, device_id=device.pk, valid_from=noon(world)
        ),
        {"device": device, "from": world.tarnmouth, "to": world.tarnmouth},
    )


# --- assignments ---------------------------------------------------------------------------------------


@row(FIELD, "device.assigned", "device cabinet location", CUSTODY, scoped=True)
def assign_device(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    return (
        lambda actor, **more: assignments.assign_device(
            actor, **more, device_id=device.pk, cabinet_id=cabinet.pk, valid_from=noon(world)
        ),
        {"device": device, "cabinet": cabinet, "location": world.location},
    )


@row(FIELD, "device.removed", "device cabinet location to", CUSTODY, scoped=True, reason="Port 2 is deaf")
def end_assignment(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet)
    return (
        lambda actor, **more: assignments.end_assignment(
            actor,
            **more,
            assignment_id=assignment.period,
            valid_to=noon(world),
            end_reason="fault",
            end_note="Port 2 is deaf",
            depot_id=world.tarnmouth.pk,
        ),
        {"device": device, "cabinet": cabinet, "location": world.location, "to": world.tarnmouth},
    )


@row(
    FIELD,
    "device.swapped",
    "removed device cabinet location to",
    f"{CUSTODY} {CUSTODY}",
    scoped=True,
    reason="Deaf",
)
def swap_device(world: World) -> Prepared:
    removed, device, cabinet = world.device(), world.device(), world.cabinet()
    assignment = world.assigned(removed, cabinet)
    return (
        lambda actor, **more: assignments.swap_device(
            actor,
            **more,
            assignment_id=assignment.period,
            valid_from=noon(world),
            device_id=device.pk,
            end_note="Deaf",
            depot_id=world.tarnmouth.pk,
        ),
        {
            "removed": removed,
            "device": device,
            "cabinet": cabinet,
            "location": world.location,
            "to": world.tarnmouth,
        },
    )


# --- provisional devices -------------------------------------------------------------------------------


@row(
    FIELD,
    "provisional.recorded",
    "device to cabinet location",
    "+device +devicewhereabouts",
    scoped=True,
    reason="Hung there already",
)
def record_provisional_device(world: World) -> Prepared:
    cabinet, new = world.cabinet(), NewDevice(world.plumb_3.pk, world.serial())
    return (
        lambda actor, **more: provisional.record_provisional_device(
            actor,
            **more,
            device=new,
            valid_from=noon(world),
            evidence="Hung there already",
            cabinet_id=cabinet.pk,
        ),
        {"to": cabinet, "cabinet": cabinet, "location": world.location},
    )


def found(world: World, cabinet_id: object) -> Record:
    return provisional.record_provisional_device(
        world.office,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 3 * DAY,
        evidence="Hung there already",
        cabinet_id=cabinet_id,
    )


@row(OFFICE, "provisional.confirmed", "device", "~device", scoped=True)
def confirm_provisional_device(world: World) -> Prepared:
    device = found(world, world.cabinet().pk)
    return (
        lambda actor, **more: provisional.confirm_provisional_device(actor, **more, device_id=device.pk),
        {"device": device},
    )


@row(
    OFFICE,
    "provisional.merged",
    "removed device cabinet",
    "~devicewhereabouts ~devicewhereabouts +devicewhereabouts +devicewhereabouts ~device",
    scoped=True,
)
def merge_provisional_device(world: World) -> Prepared:
    cabinet, target = world.cabinet(), world.device()
    device = found(world, cabinet.pk)
    return (
        lambda actor, **more: provisional.merge_provisional_device(
            actor, **more, device_id=device.pk, into_id=target.pk
        ),
        {"removed": device, "device": target, "cabinet": cabinet},
    )


@row(OFFICE, "provisional.rejected", "device cabinet", "~devicewhereabouts ~device", scoped=True)
def reject_provisional_device(world: World) -> Prepared:
    cabinet = world.cabinet()
    device = found(world, cabinet.pk)
    return (
        lambda actor, **more: provisional.reject_provisional_device(actor, **more, device_id=device.pk),
        {"device": device, "cabinet": cabinet},
    )


# --- history -------------------------------------------------------------------------------------------


@row(
    OFFICE,
    "period.corrected",
    "location subject now_location",
    "~locationstate ~locationstate +locationstate +locationstate",
    scoped=True,
)
def correct_period(world: World) -> Prepared:
    asleep = went_to_sleep(world)
    return (
        lambda actor, **more: periods.correct_period(
            actor,
            **more,
            history="locationstate",
            period_id=asleep.period,
            valid_from=world.start + 4 * DAY,
        ),
        {"location": world.location, "subject": world.location, "now_location": world.location},
    )


@row(
    OFFICE,
    "period.withdrawn",
    "location subject",
    "~locationstate ~locationstate +locationstate",
    scoped=True,
)
def withdraw_period(world: World) -> Prepared:
    asleep = went_to_sleep(world)
    return (
        lambda actor, **more: periods.withdraw_period(
            actor, **more, history="locationstate", period_id=asleep.period
        ),
        {"location": world.location, "subject": world.location},
    )


def went_to_sleep(world: World) -> LocationState:
    locations.set_location_state(
        world.office, location_id=world.location.pk, state="asleep", valid_from=noon(world)
    )
    return LocationState.objects.current().get(location=world.location, valid_to=None)


# --- counts --------------------------------------------------------------------------------------------


def one_device_drawn(world: World) -> tuple[Device, Count]:
    device = world.device()
    return device, counts.draw_count(world.auditor, name="Spring", depot_id=world.tarnmouth.pk)


def nothing_there(world: World, place: Depot, count: Count) -> CountItem:
    return counts.record_finding(world.auditor, count_id=count.pk, depot_id=place.pk, place_done=True)


@row(COUNTERS, "count.drawn", "count depot", "+count +countitem", scoped=True)
def draw_count(world: World) -> Prepared:
    world.device()
    return (
        lambda actor, **more: counts.draw_count(
            actor, **more, name="Spring", depot_id=world.tarnmouth.pk, places=["depot"]
        ),
        {"depot": world.tarnmouth},
    )


@row(COUNTERS, "count.finding_recorded", "count at device", "~countitem", scoped=True, reason="High up")
def record_finding(world: World) -> Prepared:
    device, count = one_device_drawn(world)
    return (
        lambda actor, **more: counts.record_finding(
            actor,
            **more,
            count_id=count.pk,
            depot_id=world.tarnmouth.pk,
            serial=device.serial,
            note="High up",
        ),
        {"count": count, "at": world.tarnmouth, "device": device},
    )


@row(COUNTERS, "count.place_reopened", "count at", "~countitem ~count", scoped=True)
def recount_place(world: World) -> Prepared:
    _, count = one_device_drawn(world)
    nothing_there(world, world.tarnmouth, count)
    counts.close_count(world.auditor, count_id=count.pk)
    return (
        lambda actor, **more: counts.recount_place(
            actor, **more, count_id=count.pk, depot_id=world.tarnmouth.pk
        ),
        {"count": count, "at": world.tarnmouth},
    )


@row(COUNTERS, "count.closed", "count depot", "~count", scoped=True)
def close_count(world: World) -> Prepared:
    _, count = one_device_drawn(world)
    nothing_there(world, world.tarnmouth, count)
    return (
        lambda actor, **more: counts.close_count(actor, **more, count_id=count.pk),
        {"count": count, "depot": world.tarnmouth},
    )


def missing(world: World) -> tuple[Device, Count, CountItem]:
    device, count = one_device_drawn(world)
    item = nothing_there(world, world.tarnmouth, count)
    counts.close_count(world.auditor, count_id=count.pk)
    return device, count, item


@row(OFFICE, "count.difference_accepted", "count device from", f"{CUSTODY} ~countitem", scoped=True)
def accept_difference(world: World) -> Prepared:
    device, count, item = missing(world)
    return (
        lambda actor, **more: counts.accept_difference(actor, **more, item_id=item.pk),
        {"count": count, "device": device, "from": world.tarnmouth},
    )


@row(OFFICE, "count.difference_dismissed", "count device", "~countitem", scoped=True)
def dismiss_difference(world: World) -> Prepared:
    device, count, item = missing(world)
    return (
        lambda actor, **more: counts.dismiss_difference(actor, **more, item_id=item.pk),
        {"count": count, "device": device},
    )


# --- the tests -----------------------------------------------------------------------------------------


# --- mountings and photos ------------------------------------------------------------------------------


@row(FIELD, "mounting.recorded", "mounting device cabinet location", "+mounting", scoped=True)
def record_mounting(world: World) -> Prepared:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    return (
        lambda actor, **more: mountings.record_mounting(
            actor, **more, assignment_id=hung.period, facts=facts(world)
        ),
        {"device": device, "cabinet": cabinet, "location": world.location},
    )


@row(FIELD, "mounting.corrected", "mounting device cabinet location", "~mounting", scoped=True)
def correct_mounting(world: World) -> Prepared:
    mounting = mounted(world, world.assigned(world.device(), world.cabinet()).period)
    return (
        lambda actor, **more: mountings.correct_mounting(
            actor, **more, mounting_id=mounting.pk, facts={"blanket_back": True}
        ),
        {"mounting": mounting, "location": world.location},
    )


@row(OFFICE, "mounting_practice.set", "mounting_practice", "+mountingpractice", scoped=False)
def set_mounting_practice(world: World) -> Prepared:
    return (
        lambda actor, **more: mountings.set_mounting_practice(
            actor, **more, value="hole", least_mm=None, most_mm=20
        ),
        {},
    )


@row(FIELD, "photo.added", "photo cabinet location", "+photo", scoped=True)
def add_photo(world: World) -> Prepared:
    cabinet = world.cabinet()
    return (
        lambda actor, **more: photos.add_photo(
            actor, **more, kind="inside", kept=kept_photo(), taken_at=noon(world), cabinet_id=cabinet.pk
        ),
        {"cabinet": cabinet, "location": world.location},
    )


@row(OFFICE, "photo.erased", "photo cabinet location", "~photo", scoped=True)
def erase_photo(world: World) -> Prepared:
    photo = photographed(world, cabinet_id=world.cabinet().pk)
    return (
        lambda actor, **more: photos.erase_photo(actor, **more, photo_id=photo.pk),
        {"photo": photo, "location": world.location},
    )


# --- visits, surveys and the kit -----------------------------------------------------------------------

TRIP = "visit location cabinet"


@row(OFFICE, "visit.planned", TRIP, "+visit +visitcabinet", scoped=True)
def plan_visit(world: World) -> Prepared:
    cabinet = world.cabinet()
    return (
        lambda actor, **more: visits.plan_visit(
            actor,
            **more,
            location_id=world.location.pk,
            kind="install",
            planned_on=visiting.day_of(world),
            cabinets=[cabinet.pk],
        ),
        {"location": world.location, "cabinet": cabinet},
    )


@row(OFFICE, "visit.corrected", TRIP, "~visit", scoped=True)
def correct_visit(world: World) -> Prepared:
    visit = visiting.planned(world)
    return (
        lambda actor, **more: visits.correct_visit(
            actor, **more, visit_id=visit.pk, particulars={"note": "Ring first"}
        ),
        {"visit": visit, "location": world.location},
    )


@row(OFFICE, "visit.released", TRIP, "~visit", scoped=True, reason="The store asked for it")
def release_visit(world: World) -> Prepared:
    visit = visiting.planned(world, "install")
    return (
        lambda actor, **more: visits.release_visit(
            actor, **more, visit_id=visit.pk, override_reason="The store asked for it"
        ),
        {"visit": visit},
    )


@row(FIELD, "visit.cautions_acknowledged", TRIP, "~visitcabinet", scoped=True)
def acknowledge_cautions(world: World) -> Prepared:
    cabinet = world.cabinet()
    visit = visiting.released(world, cabinets=[cabinet])
    codes = [caution.code for caution in cautions_of(cabinet)]
    return (
        lambda actor, **more: visits.acknowledge_cautions(
            actor, **more, visit_id=visit.pk, cabinet_id=cabinet.pk, codes=codes
        ),
        {"visit": visit, "cabinet": cabinet},
    )


@row(FIELD, "visit.begun", "visit location", "~visit", scoped=True)
def begin_visit(world: World) -> Prepared:
    visit = visiting.released(world, cabinets=[])  # whoever begins has read the cautions of every one
    return lambda actor, **more: visits.begin_visit(actor, **more, visit_id=visit.pk), {"visit": visit}


@row(FIELD, "visit.finished", TRIP, "~visit", scoped=True)
def finish_visit(world: World) -> Prepared:
    visit = visiting.begun(world, "inspect")
    return (
        lambda actor, **more: visits.finish_visit(actor, **more, visit_id=visit.pk, outcome="All done"),
        {"visit": visit},
    )


@row(FIELD, "visit.cancelled", TRIP, "~visit", scoped=True)
def cancel_visit(world: World) -> Prepared:
    visit = visiting.planned(world)
    return lambda actor, **more: visits.cancel_visit(actor, **more, visit_id=visit.pk), {"visit": visit}


@row(FIELD, "survey.recorded", "survey cabinet location", "+cabinetsurvey", scoped=True)
def record_survey(world: World) -> Prepared:
    cabinet = world.cabinet()
    return (
        lambda actor, **more: surveys.record_survey(
            actor, **more, cabinet_id=cabinet.pk, particulars={"outcome": "suitable"}
        ),
        {"cabinet": cabinet, "location": world.location},
    )


@row(OFFICE, "kit_part.registered", "kit_part", "+kitpart", scoped=False)
def register_kit_part(world: World) -> Prepared:
    given = {"code": "RAIL-S", "name": "Short rail"}
    return lambda actor, **more: kit.register_kit_part(actor, **more, particulars=given), {}


@row(OFFICE, "kit_part.corrected", "kit_part", "~kitpart", scoped=False)
def correct_kit_part(world: World) -> Prepared:
    part = visiting.part(world)
    return (
        lambda actor, **more: kit.correct_kit_part(
            actor, **more, part_id=part.pk, particulars={"discontinued": True}
        ),
        {"kit_part": part},
    )


@row(OFFICE, "kit_rule.set", "kit_part kit_rule", "+kitrule", scoped=False)
def set_kit_rule(world: World) -> Prepared:
    part, given = visiting.part(world), {"name": "One for each", "quantity": 1}
    return (
        lambda actor, **more: kit.set_kit_rule(actor, **more, part_id=part.pk, particulars=given),
        {"kit_part": part},
    )


@row(OFFICE, "kit_rule.withdrawn", "kit_part kit_rule", "~kitrule", scoped=False)
def withdraw_kit_rule(world: World) -> Prepared:
    rule = visiting.rule(world)
    return (
        lambda actor, **more: kit.withdraw_kit_rule(actor, **more, rule_id=rule.pk),
        {"kit_part": rule.part, "kit_rule": rule},
    )


@row(
    OFFICE,
    "kit.adopted",
    " ".join(["kit_part"] * len(USUAL)),
    " ".join(" ".join(["+kitpart", *["+kitrule"] * len(usual.rules)]) for usual in USUAL),
    scoped=False,
)
def adopt_kit(world: World) -> Prepared:
    return lambda actor, **more: kit.adopt_kit(actor, **more), {}


def test_the_table_has_a_row_for_every_action_but_the_systems_own() -> None:
    assert set(ACTIONS) - set(ROWS) == {"found_register", "seal_readings"}
    assert set(ROWS) <= set(ACTIONS)


@pytest.mark.parametrize("name", sorted(ROWS))
def test_an_action_is_for_its_roles_and_depots_and_tells_the_whole_of_it(world: World, name: str) -> None:
    expected = ROWS[name]
    call, things = expected.prepare(world)
    more = {"reason": "Said so on the quay"} if "reason" in signature(FUNCTIONS[name]).parameters else {}
    own = {role: person(world, role, world.tarnmouth) for role in ROLES}
    elsewhere = {role: person(world, role, world.fellgate) for role in ROLES}
    gone = person(world, "administrator", everywhere=True)
    staff.deactivate_staff(world.administrator, staff_id=gone.staff_id)

    for role in ROLES:
        if role not in expected.who:
            for actor in (own[role], elsewhere[role]):
                with refused("role_forbids"):
                    call(actor)
        elif expected.scoped:
            with nothing_changed(), pytest.raises(RuleBroken, match=r"\[not_found\]"):
                call(elsewhere[role], **more)
        allowed = [own[role], elsewhere[role]] if not expected.scoped else [own[role]]
        for actor in allowed if role in expected.who else []:
            with undone():
                entry, wrote = entry_of(lambda actor=actor: call(actor, **more))
                assert (entry.verb, entry.staff_id, entry.face) == (expected.verb, actor.staff_id, "api")
                assert wrote == expected.wrote.split()
                assert [s.part for s in entry.subjects.order_by("position")] == expected.about.split()
                assert entry.reason == more.get("reason", expected.reason)
                for part, thing in things.items():
                    thing.refresh_from_db()
                    assert entry.subjects.filter(part=part, thing_id=thing.pk, label=thing.label).exists()
    with refused("not_active"):
        call(gone, **more)


def test_nobody_founds_a_register_that_has_begun(world: World) -> None:
    everybody = [person(world, role, everywhere=True) for role in ROLES]
    for actor in everybody:
        with refused("already_founded"):
            register.found_register(actor, username="second", name="Second Frost", password=PASSWORD)


def test_the_system_itself_keeps_no_customers_and_a_stranger_without_a_record_does_nothing(
    world: World,
) -> None:
    from registry.actions._action import SYSTEM

    call, _ = ROWS["register_account"].prepare(world)
    unknown = Actor(world.account.pk, world.office.face)
    for nobody in (SYSTEM, unknown):
        with refused("not_active"):
            call(nobody)
    call(world.office)
