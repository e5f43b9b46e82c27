"""Depots and locations: registered, corrected, handed over, closed, taken over; and whom to ask there."""

import secrets
from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._records import cleaned, correct_record
from registry.actions._steps import (
    carry_on,
    devices_in,
    find,
    history,
    holder_at,
    require_account_open,
    require_open,
    take_devices_out,
    to_end,
)
from registry.actions._stores import NewLocation, refuse_devices, refuse_number_taken, stay_at, write_location
from registry.models import (
    Account,
    Cabinet,
    CabinetWhereabouts,
    Contact,
    ContactText,
    Depot,
    Device,
    Location,
    LocationHolding,
    LocationState,
    RequestAnswer,
)
from registry.models.base import new_key
from registry.rules import locations as rules
from registry.rules import particulars as particular_rules
from registry.rules.canonical import Json
from registry.rules.commitments import SALT_LENGTH, commitment
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.locations import LocationStanding
from registry.rules.roles import Act
from registry.rules.texts import clean_code
from registry.rules.whereabouts import EndReason


@action(Act.KEEP_CATALOGUE)
def register_depot(writing: Writing, *, particulars: Mapping[str, object]) -> Depot:
    """Register a depot (rules.locations.DEPOT_FIELDS).

    Raises RuleBroken CODE_TAKEN and what cleaning does.
    """
    depot = writing.insert(
        Depot(**cleaned(Depot, particulars, rules.DEPOT_FIELDS, required=rules.DEPOT_REQUIRED))
    )
    writing.tell(Verb.DEPOT_REGISTERED, writing.now, {"depot": depot})
    return depot


@action(Act.KEEP_CATALOGUE)
def correct_depot(
    writing: Writing, *, depot_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> Depot:
    """Correct a depot; raises as `_records.correct_record` does."""
    depot = correct_record(writing, Depot, depot_id, particulars, rules.DEPOT_FIELDS)
    writing.tell(Verb.DEPOT_CORRECTED, writing.now, {"depot": depot}, reason=reason)
    return depot


@action(Act.KEEP_CUSTOMERS)
def register_location(
    writing: Writing, *, account_id: UUID, location: NewLocation, valid_from: datetime
) -> Location:
    """Register a location of an account, with its cabinets, from a time on.

    Raises RuleBroken CODE_TAKEN, CODE_REPEATED, ACCOUNT_CLOSED, BEFORE_KNOWN, NOT_FOUND,
    VALUE_INVALID for a device (which is for `take_over_location`), and what cleaning does.
    """
    account = find(Account, account_id, "account")
    refuse_devices(location)
    written, cabinets, _ = write_location(writing, location, account, valid_from)
    writing.tell(
        Verb.LOCATION_REGISTERED, valid_from, {"location": written, "account": account, "cabinet": cabinets}
    )
    return written


@action(Act.TAKE_OVER)
def take_over_location(
    writing: Writing, *, account_id: UUID, location: NewLocation, known_by: datetime, reason: str = ""
) -> Location:
    """Register a location that stands already, with its cabinets and what hangs in them.

    Every period starts "known by" that time: true no later than then, shown so, never used for billing.
    Raises as `register_location` does, and SERIAL_INVALID, SENSOR_COUNT_MISMATCH.
    """
    account = find(Account, account_id, "account")
    written, cabinets, devices = write_location(writing, location, account, known_by, known_by=True)
    writing.tell(
        Verb.LOCATION_TAKEN_OVER,
        known_by,
        {"location": written, "account": account, "cabinet": cabinets, "device": devices},
        reason=reason,
    )
    return written


@action(Act.KEEP_CUSTOMERS)
def correct_location(
    writing: Writing, *, location_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> Location:
    """Correct a location's particulars; `depot_id` among them gives it to another depot.

    Raises RuleBroken NOTHING_CHANGES, CODE_TAKEN, NOT_FOUND and what cleaning does.
    """
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    given = dict(particulars)
    changes: dict[str, object] = {}
    if "depot_id" in given:
        depot_id = given.pop("depot_id")
        if not isinstance(depot_id, UUID):
            raise particular_rules.invalid("depot", f"{depot_id!r} names no depot. Give its key.")
        depot = find(Depot, depot_id, "depot")
        writing.require_depot(depot.pk, "depot")
        changes["depot"] = depot
    changes |= cleaned(Location, given, rules.FIELDS, besides=location_id)
    rules.check_coordinates(
        changes.get("latitude", location.latitude), changes.get("longitude", location.longitude)
    )
    writing.revise(location, **changes)
    writing.tell(Verb.LOCATION_CORRECTED, writing.now, {"location": location}, reason=reason)
    return location


@action(Act.KEEP_CUSTOMERS)
def set_location_state(
    writing: Writing, *, location_id: UUID, state: str, valid_from: datetime, reason: str = ""
) -> Location:
    """Open a location, or lay it to sleep for the season, from a time on; closing has its own action.

    Raises RuleBroken VALUE_INVALID, NOTHING_CHANGES, ACCOUNT_CLOSED, BEFORE_KNOWN, OVERLAPPING_HISTORY,
    NOT_FOUND.
    """
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    standing = rules.clean_first_state(state)
    account = holder_at(location, valid_from)
    if account is not None:
        require_account_open(account, valid_from)
    _set_state(writing, location, standing, valid_from)
    writing.tell(Verb.LOCATION_STATE_SET, valid_from, {"location": location}, reason=reason)
    return location


@action(Act.KEEP_CUSTOMERS)
def close_location(
    writing: Writing,
    *,
    location_id: UUID,
    valid_from: datetime,
    cabinets_to: UUID | None = None,
    devices_to: UUID | None = None,
    reason: str = "",
) -> Location:
    """Close a location from a time on; its cabinets go to a depot, their devices come out to a depot.

    Without `cabinets_to` a location in which cabinets stand is refused, LOCATION_OCCUPIED; `devices_to`
    is the cabinets' depot unless told. Raises RuleBroken NOTHING_CHANGES, BEFORE_KNOWN,
    OVERLAPPING_HISTORY, NOT_FOUND too.
    """
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    stays = list(
        CabinetWhereabouts.objects.current()
        .filter(location=location)
        .overlapping(valid_from, None)
        .select_related("cabinet", "cabinet__model")
        .order_by("cabinet__asset_tag", "valid_from")
    )
    if stays and cabinets_to is None:
        tags = sorted({stay.cabinet.asset_tag for stay in stays})
        raise RuleBroken(
            Code.LOCATION_OCCUPIED,
            f"{', '.join(tags)} stand there then or later. Say to which depot they go, or move them first.",
            field="cabinets_to",
            details={"cabinets": list(tags)},
        )
    cabinets: list[Cabinet] = []
    devices: list[Device] = []
    if stays and cabinets_to is not None:
        depot = find(Depot, cabinets_to, "cabinets_to")
        writing.require_depot(depot.pk, "cabinets_to")
        devices_depot = find(Depot, devices_to or cabinets_to, "devices_to")
        writing.require_depot(devices_depot.pk, "devices_to")
        for stay in stays:
            devices += take_devices_out(
                writing,
                devices_in(stay.cabinet, valid_from),
                valid_from,
                depot=devices_depot,
                reason=EndReason.CLOSED,
            )
            present = to_end(history(CabinetWhereabouts, stay.cabinet), valid_from)
            carry_on(writing, present, stay_at(stay.cabinet, depot), valid_from)
            cabinets.append(stay.cabinet)
    _set_state(writing, location, LocationStanding.CLOSED, valid_from)
    writing.tell(
        Verb.LOCATION_CLOSED,
        valid_from,
        {"location": location, "cabinet": cabinets, "device": devices},
        reason=reason,
    )
    return location


@action(Act.KEEP_CUSTOMERS)
def hand_location(
    writing: Writing,
    *,
    location_id: UUID,
    account_id: UUID,
    store_number: str,
    valid_from: datetime,
    reason: str = "",
) -> LocationHolding:
    """Let another account hold a location from a time on, under a store number of its own.

    Raises RuleBroken CODE_TAKEN, ACCOUNT_CLOSED, LOCATION_CLOSED, NOTHING_CHANGES, BEFORE_KNOWN,
    OVERLAPPING_HISTORY, NOT_FOUND.
    """
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    account = find(Account, account_id, "account")
    require_account_open(account, valid_from)
    require_open(location, valid_from)
    present = to_end(history(LocationHolding, location), valid_from)
    number = clean_code(store_number, "store_number")
    if (present.account_id, present.store_number) == (account.pk, number):
        raise RuleBroken(Code.NOTHING_CHANGES, f"{account.label} holds it already.", field="account")
    refuse_number_taken(account, number, valid_from, besides=location.pk)
    holding = carry_on(
        writing,
        present,
        LocationHolding(location=location, account=account, store_number=number),
        valid_from,
    )
    writing.tell(
        Verb.LOCATION_HANDED_OVER,
        valid_from,
        {"location": location, "from": present.account, "account": account},
        reason=reason,
    )
    return holding


def _set_state(writing: Writing, location: Location, state: LocationStanding, at: datetime) -> None:
    present = to_end(history(LocationState, location), at)
    if present.state == state:
        raise RuleBroken(Code.NOTHING_CHANGES, f"The location is {state} already.", field="location")
    carry_on(writing, present, LocationState(location=location, state=state), at)


# --- contacts --------------------------------------------------------------------------------------


@action(Act.KEEP_CUSTOMERS)
def register_contact(writing: Writing, *, location_id: UUID, text: Mapping[str, object]) -> Contact:
    """Add somebody to ask at a location; the ledger gets a commitment, never the text.

    Raises RuleBroken TEXT_INVALID, VALUE_INVALID, NOT_FOUND.
    """
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    salt, words, bound = _committed(text)
    contact = writing.insert(Contact(id=new_key(), location=location, commitment=bound))
    writing.insert(ContactText(contact=contact, commitment=bound, salt=salt, text=words))
    writing.tell(Verb.CONTACT_REGISTERED, writing.now, {"contact": contact, "location": location})
    return contact


@action(Act.KEEP_CUSTOMERS)
def correct_contact(writing: Writing, *, contact_id: UUID, text: Mapping[str, object]) -> Contact:
    """Correct a contact's text, under a fresh salt; what is left out stays. Raises as `register_contact`."""
    contact = _contact(writing, contact_id)
    held = ContactText.objects.get(commitment=contact.commitment).text or {}
    salt, words, bound = _committed({**held, **text})
    writing.revise(contact, commitment=bound)
    writing.insert(ContactText(contact=contact, commitment=bound, salt=salt, text=words))
    writing.tell(Verb.CONTACT_CORRECTED, writing.now, {"contact": contact, "location": contact.location})
    return contact


@action(Act.KEEP_CUSTOMERS)
def erase_contact(writing: Writing, *, contact_id: UUID, reason: str = "") -> Contact:
    """Wipe every text and salt of a contact, and kept answers that repeat them; the commitments stay.

    Raises RuleBroken NOTHING_CHANGES for one that was erased before, NOT_FOUND.
    """
    contact = _contact(writing, contact_id)
    writing.revise(contact, erased=True)
    ContactText.objects.filter(contact=contact).update(salt=None, text=None)
    RequestAnswer.objects.filter(contact_id=contact.pk).delete()
    writing.tell(
        Verb.CONTACT_ERASED, writing.now, {"contact": contact, "location": contact.location}, reason=reason
    )
    return contact


def _contact(writing: Writing, contact_id: UUID) -> Contact:
    contact = find(Contact, contact_id, "contact")
    writing.require_depot(contact.location.depot_id, "contact")
    if contact.erased:
        raise RuleBroken(Code.NOTHING_CHANGES, "This contact was erased. Add a new one.", field="contact")
    return contact


def _committed(text: Mapping[str, object]) -> tuple[bytes, Json, str]:
    words: Json = dict(rules.clean_contact(dict(text)))
    salt = secrets.token_bytes(SALT_LENGTH)
    return salt, words, commitment(salt, words)
