"""Every change of accounts, contacts, the catalogue, people, tokens and periods: one request of each.

It is accepted of the administrator, who may do everything.
"""

from datetime import timedelta
from typing import Any

from registry.actions import accounts, locations, staff, tokens
from registry.models import Account, ApiToken, Contact, DeviceToken, LocationState, Staff
from tests.api.operations import Maker, Operation, when
from tests.factories.playing import BELOW, hung, passed, report
from tests.factories.world import DAY, World, device_model, person

OPERATIONS: dict[str, Maker] = {}

PASSWORD = "drift-lantern-oar-19"


def _operation(make: Maker) -> Maker:
    OPERATIONS[make.__name__.removeprefix("_").replace("_", "-")] = make
    return make


def _of(noun: str, key: Any, what: str, verb: str, body: dict[str, Any], **more: Any) -> Operation:
    thing = f"{noun}/{key}/"
    path = f"{thing}{what}/" if what else thing
    return Operation(
        "POST" if what else "PATCH", path, body, verb, **{"thing": thing, "shows": thing, **more}
    )


def cabinet_body(world: World, tag: str = "SK-7001", **more: Any) -> dict[str, Any]:
    """Return a cabinet to register with its store."""
    return {"model": str(world.cove.pk), "asset_tag": tag, **more}


def location_body(world: World, number: str = "0099", **more: Any) -> dict[str, Any]:
    """Return a location to register with its account."""
    return {
        "store_number": number,
        "depot": str(world.tarnmouth.pk),
        "name": f"Pier Head {number}",
        "locality": "Tarnmouth",
        "country": "US",
        "time_zone": "America/New_York",
        **more,
    }


# --- accounts --------------------------------------------------------------------------------------------


def account(world: World, code: str = "PP", **more: Any) -> Account:
    """Register another account, known from the start."""
    particulars = {"code": code, "name": f"Pier & Pantry {code}"}
    return accounts.register_account(
        world.office, particulars=particulars, **{"valid_from": world.start, **more}
    )


@_operation
def _register_account(world: World) -> Operation:
    body = {
        "code": "GM",
        "name": "Gannet Marina Stores",
        "valid_from": when(world.start + DAY),
        "locations": [location_body(world, cabinets=[cabinet_body(world)])],
    }
    return Operation("POST", "accounts/", body, "account.registered")


@_operation
def _correct_account(world: World) -> Operation:
    return _of("accounts", world.account.pk, "", "account.corrected", {"name": "Lantern Fuel North"})


@_operation
def _close_account(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("accounts", account(world).pk, "close", "account.closed", body)


@_operation
def _reopen_account(world: World) -> Operation:
    closed = account(world)
    accounts.close_account(world.office, account_id=closed.pk, valid_from=world.start + 5 * DAY)
    body = {"valid_from": when(world.start + 9 * DAY)}
    return _of("accounts", closed.pk, "reopen", "account.reopened", body)


# --- contacts --------------------------------------------------------------------------------------------


def contact(world: World, name: str = "Tamsin Reeve", location: Any = None) -> Contact:
    """Add somebody to ask at a location."""
    return locations.register_contact(
        world.office, location_id=(location or world.location).pk, text={"name": name, "phone": "0100 0123"}
    )


@_operation
def _register_contact(world: World) -> Operation:
    body = {"location": str(world.location.pk), "name": "Wren Hollis", "phone": "0100 0456"}
    return Operation("POST", "contacts/", body, "contact.registered")


@_operation
def _correct_contact(world: World) -> Operation:
    return _of("contacts", contact(world).pk, "", "contact.corrected", {"phone": "0100 0789"})


@_operation
def _erase_contact(world: World) -> Operation:
    return _of("contacts", contact(world).pk, "erase", "contact.erased", {"reason": "as they wished"})


# --- the catalogue ---------------------------------------------------------------------------------------


@_operation
def _register_depot(world: World) -> Operation:
    return Operation("POST", "depots/", {"code": "SD", "name": "Skerrydale"}, "depot.registered")


@_operation
def _correct_depot(world: World) -> Operation:
    return _of("depots", world.tarnmouth.pk, "", "depot.corrected", {"name": "Tarnmouth Quay"})


@_operation
def _register_cabinet_model(world: World) -> Operation:
    body = {"name": "Cove 70", "sensor_count": 4}
    return Operation("POST", "cabinet-models/", body, "cabinet_model.registered")


@_operation
def _correct_cabinet_model(world: World) -> Operation:
    return _of("cabinet-models", world.cove.pk, "", "cabinet_model.corrected", {"supply": "plug"})


@_operation
def _register_device_model(world: World) -> Operation:
    body = device_model("Plumb-4", "PB4", 4)
    return Operation("POST", "device-models/", body, "device_model.registered")


@_operation
def _correct_device_model(world: World) -> Operation:
    return _of("device-models", world.plumb_3.pk, "", "device_model.corrected", {"compensates": "no"})


@_operation
def _register_product(world: World) -> Operation:
    body = {"code": "B3", "name": "3 kg bag", "net_mass": "3", "net_mass_unit": "kg"}
    return Operation("POST", "products/", body, "product.registered")


@_operation
def _correct_product(world: World) -> Operation:
    return _of("products", world.eight_lb.pk, "", "product.corrected", {"discontinued": True})


# --- people and tokens -----------------------------------------------------------------------------------


@_operation
def _add_staff(world: World) -> Operation:
    body = {
        "username": "wren",
        "name": "Wren Hollis",
        "password": PASSWORD,
        "role": "installer",
        "depots": [str(world.tarnmouth.pk)],
    }
    return Operation("POST", "staff/", body, "staff.added")


@_operation
def _change_role(world: World) -> Operation:
    return _of("staff", world.installer.staff_id, "role", "staff.role_changed", {"role": "office"})


@_operation
def _change_depots(world: World) -> Operation:
    body = {"depots": [str(world.fellgate.pk)]}
    return _of("staff", world.installer.staff_id, "depots", "staff.depots_changed", body)


@_operation
def _deactivate(world: World) -> Operation:
    return _of("staff", world.installer.staff_id, "deactivate", "staff.deactivated", {"reason": "left"})


@_operation
def _reactivate(world: World) -> Operation:
    key = gone(world).pk
    return _of("staff", key, "reactivate", "staff.reactivated", {})


@_operation
def _set_password(world: World) -> Operation:
    body = {"password": PASSWORD}
    # Nothing of a password is shown, so the tag stays.
    return _of("staff", world.installer.staff_id, "password", "staff.password_set", body)


@_operation
def _issue_token(world: World) -> Operation:
    body = {"staff": str(world.installer.staff_id), "name": "Red phone"}
    return Operation("POST", "tokens/", body, "token.issued")


@_operation
def _revoke_token(world: World) -> Operation:
    return _of("tokens", token(world).pk, "revoke", "token.revoked", {"reason": "lost at sea"})


# --- acceptance ------------------------------------------------------------------------------------------


@_operation
def _check_installation(world: World) -> Operation:
    assignment = hung(world)
    report(world, assignment.device.serial, reports=3)
    path = f"assignments/{assignment.period}/acceptance/"
    return Operation("POST", path, {"tape_mm": list(BELOW)}, "acceptance.checked")


@_operation
def _sign_off(world: World) -> Operation:
    return _of("acceptance", passed(world).pk, "sign-off", "acceptance.signed_off", {"note": "All well."})


@_operation
def _issue_device_token(world: World) -> Operation:
    return Operation("POST", "device-tokens/", {"name": "Gateway"}, "device_token.issued")


@_operation
def _revoke_device_token(world: World) -> Operation:
    key = device_token(world).pk
    return _of("device-tokens", key, "revoke", "device_token.revoked", {"reason": "stolen"})


def device_token(world: World) -> DeviceToken:
    """Issue a token that may report, under a name of its own."""
    issued, _ = tokens.issue_device_token(world.administrator, name=world.code("Gateway"))
    return issued


def gone(world: World) -> Staff:
    """Let a person in who then leaves."""
    them = person(world, "installer", world.tarnmouth)
    assert them.staff_id is not None
    return staff.deactivate_staff(world.administrator, staff_id=them.staff_id)


def token(world: World, name: str = "Blue phone", days: int = 30) -> ApiToken:
    """Issue a token to the installer."""
    assert world.installer.staff_id is not None
    issued, _ = tokens.issue_token(
        world.administrator,
        staff_id=world.installer.staff_id,
        name=name,
        expires_at=world.clock.at + timedelta(days=days),
    )
    return issued


# --- periods ---------------------------------------------------------------------------------------------


def asleep(world: World) -> LocationState:
    """Lay the store to sleep five days after the start, and return that period."""
    locations.set_location_state(
        world.office, location_id=world.location.pk, state="asleep", valid_from=world.start + 5 * DAY
    )
    return LocationState.objects.current().get(location=world.location, state="asleep")


@_operation
def _correct_period(world: World) -> Operation:
    body = {"reason": "the sign said so", "valid_from": when(world.start + 4 * DAY)}
    return _of("periods/locationstate", asleep(world).period, "correct", "period.corrected", body)


@_operation
def _withdraw_period(world: World) -> Operation:
    body = {"reason": "it never slept"}
    return _of("periods/locationstate", asleep(world).period, "withdraw", "period.withdrawn", body, shows="")
