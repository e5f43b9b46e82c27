"""Every writing page of freezers, devices, histories, the catalogue and people: one accepted form of each."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from registry.actions import cabinets, devices, provisional, staff, tokens
from registry.actions._devices import NewDevice
from registry.models import CabinetWhereabouts, Device
from tests.console.pages import at
from tests.factories.world import DAY, PASSWORD, World

STORE = "LF 0042"


@dataclass(frozen=True)
class Writing:
    """A page, what is typed there, and the verb of the entry that it makes.

    `meanwhile` changes something that the form is about.
    """

    address: str
    typed: dict[str, Any]
    verb: str
    meanwhile: Callable[[], object] | None = None


def provisional_device(world: World) -> Device:
    """Record a device that nobody booked in, in the depot."""
    return provisional.record_provisional_device(
        world.office,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 3 * DAY,
        evidence="in a box without papers",
        depot_id=world.tarnmouth.pk,
    )


def of_cabinets(world: World) -> dict[str, Writing]:
    """Return the pages of cabinets."""
    cabinet = world.cabinet(split=True)

    def meanwhile() -> object:
        return cabinets.correct_cabinet(
            world.office, cabinet_id=cabinet.pk, particulars={"position": "by the till"}
        )

    shares = {"product_1": str(world.eight_lb.pk), "percent_1": "33.33"}
    shares |= {"product_2": str(world.eighteen_lb.pk), "percent_2": "66.67"}
    new = {"model": str(world.cove.pk), "asset_tag": "SK-9001", "store": STORE}
    return {
        "register": Writing(at("cabinet_register"), {**new, **shares}, "cabinet.registered"),
        "correct": Writing(
            at("cabinet_correct", cabinet.pk),
            {"position": "left of the door"},
            "cabinet.corrected",
            meanwhile=meanwhile,
        ),
        "move": Writing(
            at("cabinet_move", cabinet.pk),
            {"depot": str(world.tarnmouth.pk)},
            "cabinet.moved",
            meanwhile=meanwhile,
        ),
        "scrap": Writing(at("cabinet_scrap", cabinet.pk), {}, "cabinet.scrapped", meanwhile=meanwhile),
        "split": Writing(at("cabinet_split", cabinet.pk), shares, "split.set", meanwhile=meanwhile),
    }


def of_assignments(world: World) -> dict[str, Writing]:
    """Return the pages of assignments."""
    cabinet, empty = world.cabinet(), world.cabinet()
    assignment = world.assigned(world.device(), cabinet)
    spare = world.device()

    def meanwhile() -> object:
        return world.assigned(world.device(), empty)

    def label() -> object:
        return devices.correct_device(world.office, device_id=assignment.device_id, firmware="2.1")

    serial = {"serial": spare.serial}
    return {
        "assign": Writing(at("cabinet_assign", empty.pk), serial, "device.assigned", meanwhile=meanwhile),
        "assign at the location": Writing(
            at("location_assign", world.location.pk),
            {**serial, "cabinet": str(empty.pk)},
            "device.assigned",
            meanwhile=meanwhile,
        ),
        "swap": Writing(at("assignment_swap", assignment.period), serial, "device.swapped", meanwhile=label),
        "end": Writing(
            at("assignment_end", assignment.period),
            {"end_reason": "fault", "end_note": "port 2 is deaf"},
            "device.removed",
            meanwhile=label,
        ),
    }


def of_devices(world: World) -> dict[str, Writing]:
    """Return the pages of devices."""
    device, sent, found = world.device(), world.device(), provisional_device(world)
    original = world.device()
    devices.send_device_to_repair(world.office, device_id=sent.pk, valid_from=world.start + 5 * DAY)

    def meanwhile(thing: Device) -> Callable[[], object]:
        return lambda: devices.correct_device(world.office, device_id=thing.pk, firmware="9.9")

    def writing(name: str, thing: Device, verb: str, **typed: Any) -> Writing:
        return Writing(at(name, thing.pk), typed, verb, meanwhile=meanwhile(thing))

    tarnmouth = str(world.tarnmouth.pk)
    booked = {"model": str(world.plumb_3.pk), "depot": tarnmouth}
    return {
        "receive": Writing(
            at("devices_receive"),
            {**booked, "serials": f"{world.serial()}\n\n{world.serial()}\n"},
            "devices.received",
        ),
        "record": Writing(
            at("device_record"),
            {**booked, "serial": world.serial(), "evidence": "lay in the van"},
            "provisional.recorded",
        ),
        "correct": writing("device_correct", device, "device.corrected", firmware="2.0"),
        "hand over": writing(
            "device_hand_over", device, "device.handed_over", staff=str(world.installer.staff_id)
        ),
        "repair": writing("device_repair", device, "device.sent_to_repair", reference="RMA-7"),
        "return": writing("device_return", sent, "device.returned", depot=tarnmouth),
        "lost": writing("device_lost", device, "device.lost"),
        "retire": writing("device_retire", device, "device.retired"),
        "confirm": writing("device_confirm", found, "provisional.confirmed"),
        "merge": writing("device_merge", found, "provisional.merged", into=original.serial),
        "reject": writing("device_reject", found, "provisional.rejected", reason="of another company"),
    }


def of_periods(world: World) -> dict[str, Writing]:
    """Return the pages that put history right."""
    cabinet = world.cabinet()
    assignment = world.assigned(world.device(), cabinet)
    stay = CabinetWhereabouts.objects.current().get(cabinet=cabinet)

    def meanwhile() -> object:
        return devices.correct_device(world.office, device_id=assignment.device_id, firmware="2.1")

    reason = {"reason": "the note says so"}
    period = ["devicewhereabouts", assignment.period]
    return {
        "correct": Writing(
            at("period_correct", *period),
            {**reason, "rail_below_ceiling_mm": "95"},
            "period.corrected",
            meanwhile=meanwhile,
        ),
        "withdraw": Writing(at("period_withdraw", *period), reason, "period.withdrawn", meanwhile=meanwhile),
        "correct a stay": Writing(
            at("period_correct", "cabinetwhereabouts", stay.period),
            {**reason, "start_is": "known_by"},
            "period.corrected",
        ),
    }


def of_catalogue(world: World) -> dict[str, Writing]:
    """Return the pages of the catalogue."""
    model = {"name": "Tern 20", "sensor_count": "2"}
    sensors = {**model, "principle": "optical", "blind_zone_mm": "20", "range_mm": "2000"}
    sensors |= {"report_interval_min": "30", "serial_alphabet": "0123456789", "serial_payload_length": "6"}
    sensors |= {"serial_check_method": "damm", "serial_prefix": "TN2"}
    product = {"code": "K3", "name": "3 kg bag", "net_mass": "3", "net_mass_unit": "kg"}

    def register(name: str, verb: str, typed: dict[str, Any]) -> Writing:
        return Writing(at(f"{name}_register"), typed, verb)

    def correct(name: str, verb: str, thing: Any, /, **typed: Any) -> Writing:
        return Writing(at(f"{name}_correct", thing.pk), typed, verb)

    return {
        "register a depot": register("depot", "depot.registered", {"code": "OT", "name": "Otterby"}),
        "register a cabinet model": register("cabinet_model", "cabinet_model.registered", model),
        "register a device model": register("device_model", "device_model.registered", sensors),
        "register a product": register("product", "product.registered", product),
        "correct a depot": correct("depot", "depot.corrected", world.tarnmouth, name="Tarn Mouth"),
        "correct a cabinet model": correct(
            "cabinet_model", "cabinet_model.corrected", world.cove, refrigerant="R290"
        ),
        "correct a device model": correct(
            "device_model", "device_model.corrected", world.plumb_3, compensates="yes"
        ),
        "correct a product": correct("product", "product.corrected", world.eight_lb, discontinued="yes"),
    }


def of_staff(world: World) -> dict[str, Writing]:
    """Return the pages of people and tokens, which are an administrator's."""
    installer, stranger = world.installer.staff_id, world.stranger.staff_id
    staff.deactivate_staff(world.administrator, staff_id=stranger)
    token, _ = tokens.issue_token(world.administrator, staff_id=installer, name="the old phone")

    def meanwhile() -> object:
        return staff.set_password(world.administrator, staff_id=installer, password=PASSWORD)

    def writing(name: str, verb: str, /, **typed: Any) -> Writing:
        return Writing(at(name, installer), typed, verb, meanwhile=meanwhile)

    somebody = {"name": "Una Sleet", "username": "una", "password": PASSWORD, "role": "installer"}
    return {
        "add": Writing(
            at("staff_add"),
            {**somebody, "depots": [str(world.tarnmouth.pk)]},
            "staff.added",
        ),
        "password": Writing(
            at("staff_password", installer),
            {"password": "hail-on-the-roof-12"},
            "staff.password_set",
            meanwhile=meanwhile,
        ),
        "role": writing("staff_role", "staff.role_changed", role="office"),
        "depots": writing("staff_depots", "staff.depots_changed", sees="all", depots=[]),
        "deactivate": writing("staff_deactivate", "staff.deactivated"),
        "reactivate": Writing(at("staff_reactivate", stranger), {}, "staff.reactivated"),
        "issue": writing("token_issue", "token.issued", name="the red phone", days="30"),
        "revoke": Writing(at("token_revoke", token.pk), {}, "token.revoked"),
    }


NOUNS: dict[str, Callable[[World], dict[str, Writing]]] = {
    "cabinets": of_cabinets,
    "assignments": of_assignments,
    "devices": of_devices,
    "periods": of_periods,
    "catalogue": of_catalogue,
    "staff": of_staff,
}
# Written out, so that a page that goes missing from above is missed.
PAGES = [
    ("cabinets", name) for name in ("register", "correct", "move", "scrap", "split")
] + [
    ("assignments", name) for name in ("assign", "assign at the location", "swap", "end")
] + [
    ("devices", name)
    for name in (
        "receive", "record", "correct", "hand over", "repair", "return", "lost", "retire", "confirm", "merge",
        "reject",
    )
] + [
    ("periods", name) for name in ("correct", "withdraw", "correct a stay")
] + [
    ("catalogue", f"{verb} a {sort}")
    for verb in ("register", "correct")
    for sort in ("depot", "cabinet model", "device model", "product")
] + [
    ("staff", name)
    for name in ("add", "password", "role", "depots", "deactivate", "reactivate", "issue", "revoke")
]  # fmt: skip

# Those that belong to no depot, so that there is nothing to hide.
OPEN = (
    {("cabinets", "register"), ("devices", "receive"), ("devices", "record")}
    | {(noun, name) for noun, name in PAGES if noun == "staff"}
    | {(noun, name) for noun, name in PAGES if noun == "catalogue" and name != "correct a depot"}
)
# Those about nothing that somebody could change meanwhile, and those where nobody does here.
NEW = {
    *((noun, name) for noun, name in PAGES if noun == "catalogue"),
    ("cabinets", "register"),
    ("devices", "receive"),
    ("devices", "record"),
    ("periods", "correct a stay"),
    ("staff", "add"),
    ("staff", "reactivate"),
    ("staff", "revoke"),
}
AT_ONCE = {("staff", "add"), ("staff", "password")}
