"""Every change of assignments, devices, locations and cabinets: one accepted request of each."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from registry.actions import devices, provisional
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.models import Device
from tests.api.client import Person, Reply
from tests.factories.world import DAY, World, person


@dataclass(frozen=True)
class Operation:
    """A request that is accepted of the office.

    `thing` is the address of what it changes, blank where it makes something new; `shows` says where the
    answer's tag is found again, blank where the answer shows no one thing.
    """

    method: str
    path: str
    body: dict[str, Any]
    verb: str
    thing: str = ""
    shows: str = ""

    def send(self, asker: Person, tag: str | None, body: Any = None, path: str = "", **more: Any) -> Reply:
        """Send it with a tag (None: without any) and, where told, another body or address."""
        given = self.body if body is None else body
        if self.method == "PATCH":
            return asker.patch(path or self.path, given, tag=tag)
        return asker.post(path or self.path, given, tag=tag, **more)


def when(moment: datetime) -> str:
    """Return a time as a client writes it."""
    return moment.isoformat()


def utc(moment: datetime) -> str:
    """Return a time as the API tells it: RFC 3339, section 5.6, in UTC."""
    return f"{moment:%Y-%m-%dT%H:%M:%S}Z"


def found_in_the_field(world: World, actor: Actor | None = None, **where: Any) -> Device:
    """Record a device that nobody booked in, in the depot unless told, three days after the start."""
    return provisional.record_provisional_device(
        actor or world.office,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 3 * DAY,
        evidence="in a box without papers",
        **(where or {"depot_id": world.tarnmouth.pk}),
    )


def store_body(world: World, **changes: Any) -> dict[str, Any]:
    """Return the least that registers a location."""
    return {
        "account": str(world.account.pk),
        "store_number": "0099",
        "depot": str(world.tarnmouth.pk),
        "name": "Pier Head",
        "locality": "Tarnmouth",
        "country": "US",
        "time_zone": "America/New_York",
        "valid_from": when(world.start + 5 * DAY),
        **changes,
    }


Maker = Callable[[World], Operation]
OPERATIONS: dict[str, Maker] = {}


def _operation(make: Maker) -> Maker:
    OPERATIONS[make.__name__.removeprefix("_").replace("_", "-")] = make
    return make


def _of(noun: str, key: Any, what: str, verb: str, body: dict[str, Any], **more: Any) -> Operation:
    thing = f"{noun}/{key}/"
    method = "POST" if what else "PATCH"
    return Operation(
        method, f"{thing}{what}/" if what else thing, body, verb, **{"thing": thing, "shows": thing, **more}
    )


# --- assignments -----------------------------------------------------------------------------------------


@_operation
def _assign(world: World) -> Operation:
    body = {
        "device": str(world.device().pk),
        "cabinet": str(world.cabinet().pk),
        "valid_from": when(world.start + 5 * DAY),
    }
    return Operation("POST", "assignments/", body, "device.assigned")


@_operation
def _end(world: World) -> Operation:
    body = {
        "valid_to": when(world.start + 9 * DAY),
        "end_reason": "fault",
        "depot": str(world.tarnmouth.pk),
    }
    return _of("assignments", _hung(world), "end", "device.removed", body)


@_operation
def _swap(world: World) -> Operation:
    key = _hung(world)
    body = {
        "device": str(world.device().pk),
        "valid_from": when(world.start + 9 * DAY),
        "depot": str(world.tarnmouth.pk),
    }
    return _of("assignments", key, "swap", "device.swapped", body, shows="")


@_operation
def _correct(world: World) -> Operation:
    body = {"reason": "read the label again", "valid_from": when(world.start + 4 * DAY)}
    return _of("assignments", _hung(world), "correct", "period.corrected", body)


@_operation
def _withdraw(world: World) -> Operation:
    body = {"reason": "it never hung there"}
    return _of("assignments", _hung(world), "withdraw", "period.withdrawn", body, shows="")


def _hung(world: World) -> str:
    return str(world.assigned(world.device(), world.cabinet()).period)


# --- devices -------------------------------------------------------------------------------------------


@_operation
def _receive(world: World) -> Operation:
    body = {
        "devices": [{"model": str(world.plumb_3.pk), "serial": world.serial()}],
        "depot": str(world.tarnmouth.pk),
        "valid_from": when(world.start + 5 * DAY),
    }
    return Operation("POST", "devices/", body, "devices.received")


@_operation
def _correct_device(world: World) -> Operation:
    return _of("devices", world.device().pk, "", "device.corrected", {"firmware": "2.1"})


@_operation
def _hand_over(world: World) -> Operation:
    body = {"staff": str(world.installer.staff_id), "valid_from": when(world.start + 5 * DAY)}
    return _of("devices", world.device().pk, "hand-over", "device.handed_over", body)


@_operation
def _repair(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("devices", world.device().pk, "repair", "device.sent_to_repair", body)


@_operation
def _return(world: World) -> Operation:
    device = world.device()
    devices.send_device_to_repair(world.office, device_id=device.pk, valid_from=world.start + 5 * DAY)
    body = {"valid_from": when(world.start + 9 * DAY), "depot": str(world.tarnmouth.pk)}
    return _of("devices", device.pk, "return", "device.returned", body)


@_operation
def _lost(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("devices", world.device().pk, "lost", "device.lost", body)


@_operation
def _retire(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("devices", world.device().pk, "retire", "device.retired", body)


@_operation
def _record(world: World) -> Operation:
    body = {
        "model": str(world.plumb_3.pk),
        "serial": world.serial(),
        "evidence": "in a box without papers",
        "depot": str(world.tarnmouth.pk),
        "valid_from": when(world.start + 5 * DAY),
    }
    return Operation("POST", "devices/provisional/", body, "provisional.recorded")


@_operation
def _confirm(world: World) -> Operation:
    return _of("devices", found_in_the_field(world).pk, "confirm", "provisional.confirmed", {})


@_operation
def _merge(world: World) -> Operation:
    known = world.device()
    body = {"into": str(known.pk)}
    shows = f"devices/{known.pk}/"
    return _of("devices", found_in_the_field(world).pk, "merge", "provisional.merged", body, shows=shows)


@_operation
def _reject(world: World) -> Operation:
    body = {"reason": "a competitor's"}
    key = found_in_the_field(world).pk
    return _of("devices", key, "reject", "provisional.rejected", body, shows="")


# --- locations ------------------------------------------------------------------------------------------


@_operation
def _register(world: World) -> Operation:
    return Operation("POST", "locations/", store_body(world), "location.registered")


@_operation
def _take_over(world: World) -> Operation:
    body = store_body(world, known_by=when(world.start + 5 * DAY))
    del body["valid_from"]
    return Operation("POST", "locations/take-over/", body, "location.taken_over")


@_operation
def _correct_location(world: World) -> Operation:
    return _of("locations", world.location.pk, "", "location.corrected", {"name": "Mole End"})


@_operation
def _state(world: World) -> Operation:
    body = {"state": "asleep", "valid_from": when(world.start + 5 * DAY)}
    return _of("locations", world.location.pk, "state", "location.state_set", body)


@_operation
def _close(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("locations", world.location.pk, "close", "location.closed", body)


@_operation
def _hand(world: World) -> Operation:
    body = {
        "account": str(world.account.pk),
        "store_number": "0077",
        "valid_from": when(world.start + 5 * DAY),
    }
    return _of("locations", world.location.pk, "hand", "location.handed_over", body)


# --- cabinets -------------------------------------------------------------------------------------------


@_operation
def _register_cabinet(world: World) -> Operation:
    body = {
        "model": str(world.cove.pk),
        "asset_tag": "SK-7001",
        "location": str(world.location.pk),
        "valid_from": when(world.start + 5 * DAY),
    }
    return Operation("POST", "cabinets/", body, "cabinet.registered")


@_operation
def _correct_cabinet(world: World) -> Operation:
    return _of("cabinets", world.cabinet().pk, "", "cabinet.corrected", {"position": "by the door"})


@_operation
def _move(world: World) -> Operation:
    body = {"depot": str(world.tarnmouth.pk), "valid_from": when(world.start + 5 * DAY)}
    return _of("cabinets", world.cabinet().pk, "move", "cabinet.moved", body)


@_operation
def _split(world: World) -> Operation:
    body = {
        "shares": [{"product": str(world.eight_lb.pk), "share": "100"}],
        "valid_from": when(world.start + 5 * DAY),
    }
    return _of("cabinets", world.cabinet().pk, "split", "split.set", body)


@_operation
def _scrap(world: World) -> Operation:
    body = {"valid_from": when(world.start + 5 * DAY)}
    return _of("cabinets", world.cabinet().pk, "scrap", "cabinet.scrapped", body)


def office_of_fellgate(world: World) -> Actor:
    """Return somebody who may do everything that the office may, and sees nothing of Tarnmouth."""
    return person(world, "office", world.fellgate)
