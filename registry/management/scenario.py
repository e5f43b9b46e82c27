"""The demo's scenario: events in data files, replayed through the actions under a simulated clock.

Event n of the files becomes entry n of the ledger, so a replay that was interrupted goes on at the head.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any

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
from registry.actions._action import Actor
from registry.actions.readings import seal_readings, take_readings
from registry.ledger import clock
from registry.management._codes import ScenarioError, find
from registry.management.arguments import arguments_of
from registry.models import DeviceToken, Entry, Staff
from registry.rules.errors import RuleBroken
from registry.rules.events import Face, Verb

COMPANY_FILE = "company.json"
EVENTS_FILE = "events.jsonl"

ON_THE_WAY = timedelta(minutes=2)  # from the last measurement of a batch to its arrival


def _report_and_seal(actor: Actor, *, gateway: DeviceToken, readings: list[dict[str, Any]]) -> None:
    """Let a gateway bring what was measured since the last seal, each day's in a batch, and seal it all.

    An interrupted replay may bring it twice, which changes nothing.
    """
    for _, batch in groupby(readings, key=lambda row: row["measured_at"][:10]):
        rows = list(batch)
        arrived = datetime.fromisoformat(max(row["measured_at"] for row in rows)) + ON_THE_WAY
        with clock.simulated(arrived):
            taken = take_readings(gateway, rows, seal=False)
        if refused := next((one for one in taken if one.code), None):
            raise ScenarioError(f"A reading was refused: {refused.words}")
    seal_readings(actor)


# What an event may do: the action, and the verb of the entry that it leaves.
DOES: dict[str, tuple[Callable[..., object], Verb]] = {
    "found_register": (register.found_register, Verb.REGISTER_FOUNDED),
    "add_staff": (staff.add_staff, Verb.STAFF_ADDED),
    "change_role": (staff.change_role, Verb.STAFF_ROLE_CHANGED),
    "change_depots": (staff.change_depots, Verb.STAFF_DEPOTS_CHANGED),
    "deactivate_staff": (staff.deactivate_staff, Verb.STAFF_DEACTIVATED),
    "reactivate_staff": (staff.reactivate_staff, Verb.STAFF_REACTIVATED),
    "set_password": (staff.set_password, Verb.STAFF_PASSWORD_SET),
    "issue_token": (tokens.issue_token, Verb.TOKEN_ISSUED),
    "revoke_token": (tokens.revoke_token, Verb.TOKEN_REVOKED),
    "issue_device_token": (tokens.issue_device_token, Verb.DEVICE_TOKEN_ISSUED),
    "revoke_device_token": (tokens.revoke_device_token, Verb.DEVICE_TOKEN_REVOKED),
    "seal_readings": (_report_and_seal, Verb.READINGS_SEALED),
    "check_installation": (acceptance.check_installation, Verb.ACCEPTANCE_CHECKED),
    "sign_off": (acceptance.sign_off, Verb.ACCEPTANCE_SIGNED_OFF),
    "register_depot": (locations.register_depot, Verb.DEPOT_REGISTERED),
    "correct_depot": (locations.correct_depot, Verb.DEPOT_CORRECTED),
    "register_account": (accounts.register_account, Verb.ACCOUNT_REGISTERED),
    "correct_account": (accounts.correct_account, Verb.ACCOUNT_CORRECTED),
    "close_account": (accounts.close_account, Verb.ACCOUNT_CLOSED),
    "reopen_account": (accounts.reopen_account, Verb.ACCOUNT_REOPENED),
    "register_location": (locations.register_location, Verb.LOCATION_REGISTERED),
    "correct_location": (locations.correct_location, Verb.LOCATION_CORRECTED),
    "set_location_state": (locations.set_location_state, Verb.LOCATION_STATE_SET),
    "close_location": (locations.close_location, Verb.LOCATION_CLOSED),
    "hand_location": (locations.hand_location, Verb.LOCATION_HANDED_OVER),
    "take_over_location": (locations.take_over_location, Verb.LOCATION_TAKEN_OVER),
    "register_contact": (locations.register_contact, Verb.CONTACT_REGISTERED),
    "correct_contact": (locations.correct_contact, Verb.CONTACT_CORRECTED),
    "erase_contact": (locations.erase_contact, Verb.CONTACT_ERASED),
    "register_cabinet_model": (cabinets.register_cabinet_model, Verb.CABINET_MODEL_REGISTERED),
    "correct_cabinet_model": (cabinets.correct_cabinet_model, Verb.CABINET_MODEL_CORRECTED),
    "register_cabinet": (cabinets.register_cabinet, Verb.CABINET_REGISTERED),
    "correct_cabinet": (cabinets.correct_cabinet, Verb.CABINET_CORRECTED),
    "move_cabinet": (cabinets.move_cabinet, Verb.CABINET_MOVED),
    "scrap_cabinet": (cabinets.scrap_cabinet, Verb.CABINET_SCRAPPED),
    "register_product": (products.register_product, Verb.PRODUCT_REGISTERED),
    "correct_product": (products.correct_product, Verb.PRODUCT_CORRECTED),
    "set_split": (products.set_split, Verb.SPLIT_SET),
    "register_device_model": (devices.register_device_model, Verb.DEVICE_MODEL_REGISTERED),
    "correct_device_model": (devices.correct_device_model, Verb.DEVICE_MODEL_CORRECTED),
    "receive_devices": (devices.receive_devices, Verb.DEVICES_RECEIVED),
    "correct_device": (devices.correct_device, Verb.DEVICE_CORRECTED),
    "hand_over_device": (devices.hand_over_device, Verb.DEVICE_HANDED_OVER),
    "send_device_to_repair": (devices.send_device_to_repair, Verb.DEVICE_SENT_TO_REPAIR),
    "return_device_from_repair": (devices.return_device_from_repair, Verb.DEVICE_RETURNED),
    "mark_device_lost": (devices.mark_device_lost, Verb.DEVICE_LOST),
    "retire_device": (devices.retire_device, Verb.DEVICE_RETIRED),
    "assign_device": (assignments.assign_device, Verb.DEVICE_ASSIGNED),
    "end_assignment": (assignments.end_assignment, Verb.DEVICE_REMOVED),
    "swap_device": (assignments.swap_device, Verb.DEVICE_SWAPPED),
    "record_provisional_device": (provisional.record_provisional_device, Verb.PROVISIONAL_RECORDED),
    "confirm_provisional_device": (provisional.confirm_provisional_device, Verb.PROVISIONAL_CONFIRMED),
    "merge_provisional_device": (provisional.merge_provisional_device, Verb.PROVISIONAL_MERGED),
    "reject_provisional_device": (provisional.reject_provisional_device, Verb.PROVISIONAL_REJECTED),
    "correct_period": (periods.correct_period, Verb.PERIOD_CORRECTED),
    "withdraw_period": (periods.withdraw_period, Verb.PERIOD_WITHDRAWN),
    "draw_count": (counts.draw_count, Verb.COUNT_DRAWN),
    "record_finding": (counts.record_finding, Verb.COUNT_FINDING_RECORDED),
    "record_not_counted": (counts.record_finding, Verb.COUNT_PLACE_NOT_COUNTED),
    "recount_place": (counts.recount_place, Verb.COUNT_PLACE_REOPENED),
    "close_count": (counts.close_count, Verb.COUNT_CLOSED),
    "accept_difference": (counts.accept_difference, Verb.COUNT_DIFFERENCE_ACCEPTED),
    "dismiss_difference": (counts.dismiss_difference, Verb.COUNT_DIFFERENCE_DISMISSED),
    "record_mounting": (mountings.record_mounting, Verb.MOUNTING_RECORDED),
    "correct_mounting": (mountings.correct_mounting, Verb.MOUNTING_CORRECTED),
    "set_mounting_practice": (mountings.set_mounting_practice, Verb.MOUNTING_PRACTICE_SET),
    "add_photo": (photos.add_photo, Verb.PHOTO_ADDED),
    "erase_photo": (photos.erase_photo, Verb.PHOTO_ERASED),
    "plan_visit": (visits.plan_visit, Verb.VISIT_PLANNED),
    "correct_visit": (visits.correct_visit, Verb.VISIT_CORRECTED),
    "release_visit": (visits.release_visit, Verb.VISIT_RELEASED),
    "acknowledge_cautions": (visits.acknowledge_cautions, Verb.VISIT_CAUTIONS_ACKNOWLEDGED),
    "begin_visit": (visits.begin_visit, Verb.VISIT_BEGUN),
    "finish_visit": (visits.finish_visit, Verb.VISIT_FINISHED),
    "cancel_visit": (visits.cancel_visit, Verb.VISIT_CANCELLED),
    "record_survey": (surveys.record_survey, Verb.SURVEY_RECORDED),
    "register_kit_part": (kit.register_kit_part, Verb.KIT_PART_REGISTERED),
    "correct_kit_part": (kit.correct_kit_part, Verb.KIT_PART_CORRECTED),
    "set_kit_rule": (kit.set_kit_rule, Verb.KIT_RULE_SET),
    "withdraw_kit_rule": (kit.withdraw_kit_rule, Verb.KIT_RULE_WITHDRAWN),
    "adopt_kit": (kit.adopt_kit, Verb.KIT_ADOPTED),
}
TAKE_PASSWORD = frozenset({"found_register", "add_staff", "set_password"})


@dataclass(frozen=True, slots=True)
class Happening:
    """One event of the files: when it was recorded, by whom, through which face, and what was done."""

    at: datetime
    by: str  # a username, or "system"
    face: Face
    do: str
    arguments: Mapping[str, Any]

    @property
    def verb(self) -> Verb:
        """Return the verb of the entry that this leaves."""
        return DOES[self.do][1]


@dataclass(frozen=True, slots=True)
class Scenario:
    """The invented company and its year."""

    distributor: str
    password: str
    people: list[dict[str, str]]  # username, name, role
    sample: dict[str, str]  # a location and a device worth showing, by their codes
    happenings: list[Happening]


def read_scenario(folder: Path) -> Scenario:
    """Return the scenario of a folder; raises ScenarioError where its files cannot be read."""
    try:
        company = json.loads((folder / COMPANY_FILE).read_text(encoding="utf-8"))
        lines = (folder / EVENTS_FILE).read_text(encoding="utf-8").splitlines()
        happenings = [_read_happening(json.loads(line)) for line in lines]
        return Scenario(
            distributor=company["distributor"],
            password=company["password"],
            people=company["people"],
            sample=company["sample"],
            happenings=happenings,
        )
    except OSError as error:
        raise ScenarioError(f"The demo's files cannot be read: {error}. Fetch them again.") from None
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ScenarioError(f"The demo's files are damaged ({error}). Fetch them again.") from None


def _read_happening(line: dict[str, Any]) -> Happening:
    at, by, face, do = (line.pop(name) for name in ("at", "by", "face", "do"))
    if do not in DOES:
        raise ValueError(f"there is no action {do!r}")
    return Happening(datetime.fromisoformat(at), by, Face(face), do, line)


# --- replay ----------------------------------------------------------------------------------------


def replayed(scenario: Scenario) -> int:
    """Return how many events of the scenario the ledger holds already.

    Raises ScenarioError where its first entries are not the scenario's, or where the register was used
    for real before the scenario was complete.
    """
    happenings = scenario.happenings
    entries = Entry.objects.order_by("index").values_list("verb", "recorded_at", "simulated")
    held = list(entries[: len(happenings)])
    for index, (entry, happening) in enumerate(zip(held, happenings, strict=False), start=1):
        if entry != (happening.verb, happening.at, True):
            raise ScenarioError(
                f"This register holds something else than the demo (entry {index}). Set"
                " RIMEBOOK_DATABASE_URL to an empty database for the demo, and run it again."
            )
    return len(held)


def replay(scenario: Scenario, *, until: int | None = None) -> int:
    """Replay what the ledger does not hold yet, up to event `until`; return how many events that were.

    Raises ScenarioError where the register is not the demo's or refuses an event.
    """
    begin = replayed(scenario)
    waiting = scenario.happenings[begin:until]
    if not waiting:
        return 0
    with clock.simulated(waiting[0].at) as simulated:
        for index, happening in enumerate(waiting, start=begin + 1):
            simulated.at = happening.at
            try:
                _perform(happening, scenario.password)
            except RuleBroken as broken:
                raise ScenarioError(f"Event {index} ({happening.do}) was refused: {broken.message}") from None
    return len(waiting)


def _perform(happening: Happening, password: str) -> None:
    function, _ = DOES[happening.do]
    staff_id = None if happening.by == "system" else find(Staff, "username", happening.by).pk
    given = arguments_of(happening.arguments)
    if happening.do in TAKE_PASSWORD:
        given["password"] = password
    function(Actor(staff_id, happening.face), **given)
