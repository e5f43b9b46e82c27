"""The arguments of the demo's events: codes that people use become keys, texts become times and values.

A code is looked up when its event's turn comes, as the register stands then.
"""

import io
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime
from typing import Any
from uuid import UUID

from PIL import Image, ImageColor

from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet, NewLocation
from registry.management._codes import ScenarioError, find, find_device, find_location
from registry.models import (
    AcceptanceCheck,
    Account,
    ApiToken,
    Cabinet,
    CabinetModel,
    Contact,
    ContactText,
    Count,
    CountItem,
    Depot,
    DeviceModel,
    DeviceToken,
    DeviceWhereabouts,
    KitPart,
    KitRule,
    Mounting,
    Photo,
    Product,
    Staff,
    Visit,
)
from registry.models.base import PeriodVersion, Record
from registry.queries.periods import histories
from registry.queries.visits import cautions_of
from registry.rules.assignments import Installation
from registry.rules.photos import re_encode
from registry.rules.splits import Share, read_percent
from registry.rules.whereabouts import DevicePlace

Read = Iterator[tuple[str, Any]]


def arguments_of(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return an action's arguments: codes become keys, texts become times, objects become values."""
    arguments: dict[str, Any] = {}
    for name, value in given.items():
        read = READERS.get(name)
        arguments |= dict(read(value)) if read else {name: value}
    return arguments


def _key(argument: str, model: type[Record], field: str = "code") -> Callable[[Any], Read]:
    """Return a reader of one code into the argument that takes its key."""

    def read(code: Any) -> Read:
        yield argument, find(model, field, code).pk

    return read


def _time(argument: str) -> Callable[[Any], Read]:
    def read(text: Any) -> Read:
        yield argument, datetime.fromisoformat(text)

    return read


def _day(argument: str) -> Callable[[Any], Read]:
    def read(text: Any) -> Read:
        yield argument, date.fromisoformat(text)

    return read


def _location(given: Any) -> Read:
    if isinstance(given, str):
        yield "location_id", find_location(given).pk
    else:
        yield "location", _new_location(given)


def _locations(given: Any) -> Read:
    yield "locations", [_new_location(location) for location in given]


def _cabinet(given: Any) -> Read:
    if isinstance(given, str):
        yield "cabinet_id", find(Cabinet, "asset_tag", given).pk
    else:
        yield "cabinet", _new_cabinet(given)


def _device(given: Any) -> Read:
    if isinstance(given, str):
        yield "device_id", find_device(given).pk
    else:
        yield "device", _new_device(given)


def _gateway(name: Any) -> Read:
    yield "gateway", find(DeviceToken, "name", name)


def _into(serial: Any) -> Read:
    yield "into_id", find_device(serial).pk


def _devices(given: Any) -> Read:
    """Read a list of devices that come, or the word for what devices do when their cabinet moves."""
    yield "devices", given if isinstance(given, str) else [_new_device(device) for device in given]


def _depots(codes: Any) -> Read:
    yield "depots", [find(Depot, "code", code).pk for code in codes]


def _assignment(serial: Any) -> Read:
    """Read the serial of a device into its running assignment."""
    hanging = DeviceWhereabouts.objects.current().filter(
        device=find_device(serial), place=DevicePlace.CABINET, valid_to=None
    )
    present = hanging.first()
    if present is None:
        raise ScenarioError(f"The demo's files take {serial!r} out of a cabinet in which it does not hang.")
    yield "assignment_id", present.period


def _mounting(serial: Any) -> Read:
    """Read the serial of a device into how it was mounted where it hangs."""
    [(_, assignment_id)] = _assignment(serial)
    yield "mounting_id", find(Mounting, "assignment", assignment_id).pk


def _mounted(given: Any) -> Read:
    """Read how a device was mounted."""
    times = {
        name: datetime.fromisoformat(given[name])
        for name in ("serial_taken_at", "cover_closed_at")
        if name in given
    }
    yield "facts", {**given, **times}


def _picture(given: Any) -> Read:
    """Read the colours of a drawing into a photo."""
    yield "kept", re_encode(_drawing(given))


def _drawing(stripes: list[str], width_px: int = 480, height_px: int = 320) -> bytes:
    """Return a drawing of upright stripes, each of a colour such as "#0b3d4f": the demo has no real photo."""
    drawn = Image.new("RGB", (width_px, height_px))
    for place, colour in enumerate(stripes):
        left, right = (width_px * edge // len(stripes) for edge in (place, place + 1))
        drawn.paste(ImageColor.getrgb(colour), (left, 0, right, height_px))
    out = io.BytesIO()
    drawn.save(out, "PNG")
    return out.getvalue()


def _photo(given: Any) -> Read:
    """Read the tag of a cabinet and a kind into the photo of that kind."""
    found = Photo.objects.filter(cabinet__asset_tag=given["cabinet"], kind=given["kind"]).first()
    if found is None:
        raise ScenarioError(f"The demo's files name a photo of {given['cabinet']!r} that is not there.")
    yield "photo_id", found.pk


def _check(serial: Any) -> Read:
    """Read the serial of a device into the newest acceptance check of it."""
    check = AcceptanceCheck.objects.filter(device=find_device(serial)).order_by("-registered_id").first()
    if check is None:
        raise ScenarioError(f"The demo's files name a check of {serial!r}, which was never checked.")
    yield "check_id", check.pk


def _cabinets(tags: Any) -> Read:
    yield "cabinets", [find(Cabinet, "asset_tag", tag).pk for tag in tags]


def _visit(given: Any) -> Read:
    """Read a location, a kind and a day into the visit there."""
    place = find_location(given["location"])
    found = Visit.objects.filter(location=place, kind=given["kind"], planned_on=given["planned_on"]).first()
    if found is None:
        raise ScenarioError(f"The demo's files name a visit to {given['location']!r} that nobody planned.")
    yield "visit_id", found.pk


def _cautions_read(tag: Any) -> Read:
    """Read the tag of a cabinet into it and the codes of its cautions, all of which somebody has read."""
    cabinet = Cabinet.objects.select_related("model").get(pk=find(Cabinet, "asset_tag", tag).pk)
    yield "cabinet_id", cabinet.pk
    yield "codes", [caution.code for caution in cautions_of(cabinet)]


def _kit_rule(given: Any) -> Read:
    """Read the code of a part and the name of a rule into the rule of that name."""
    found = KitRule.objects.filter(part__code=given["part"], name=given["name"], withdrawn=False).first()
    if found is None:
        raise ScenarioError(f"The demo's files name a rule of {given['part']!r} that is not there.")
    yield "rule_id", found.pk


def _period(given: Any) -> Read:
    """Read a history, a thing and a time into the period of that thing which runs then."""
    model = histories()[given["history"]]
    thing = _subject(model, given["of"])
    at = datetime.fromisoformat(given["at"])
    found = model.objects.current().filter(**{model.history_of: thing}).valid_at(at).first()
    if found is None:
        raise ScenarioError(
            f"The demo's files name a period of {given['of']!r} which is not in the register."
        )
    yield "history", given["history"]
    yield "period_id", found.period


def _subject(model: type[PeriodVersion], code: str) -> UUID:
    if model.history_of == "device":
        return find_device(code).pk
    if model.history_of == "cabinet":
        return find(Cabinet, "asset_tag", code).pk
    if model.history_of == "location":
        return find_location(code).pk
    return find(Account, "code", code).pk


def _contact(given: Any) -> Read:
    """Read a location and a name into the contact there that has this name now."""
    here = Contact.objects.filter(location=find_location(given["location"]))
    texts = ContactText.objects.filter(contact__in=here).select_related("contact").order_by("id")
    for text in texts:
        named = isinstance(text.text, dict) and text.text.get("name") == given["name"]
        if named and text.commitment == text.contact.commitment:
            yield "contact_id", text.contact_id
            return
    raise ScenarioError(f"The demo's files name a contact of {given['location']!r} which is not there.")


def _token(given: Any) -> Read:
    """Read a person and the name of a phone into the token of theirs that is not revoked."""
    theirs = ApiToken.objects.filter(staff_id=find(Staff, "username", given["staff"]).pk, revoked=False)
    token = theirs.filter(name=given["name"]).first()
    if token is None:
        raise ScenarioError(f"The demo's files name a token {given['name']!r}, which is not in the register.")
    yield "token_id", token.pk


def _line(given: Mapping[str, Any]) -> CountItem:
    """Return a line of a count's sample by its number."""
    count = find(Count, "name", given["count"])
    line = CountItem.objects.filter(count=count.pk, position=given["line"]).select_related("device").first()
    if line is None:
        raise ScenarioError(f"The demo's files name line {given['line']} of a count that has none.")
    return line


def _drawn(given: Any) -> Read:
    """Read a line of a count into the serial that somebody sees there, where all is right."""
    line = _line(given)
    yield "serial", line.device.serial if line.device else ""


def _difference(given: Any) -> Read:
    yield "item_id", _line(given).pk


def _shares(given: Any) -> Read:
    yield "shares", _split(given)


def _facts(given: Any) -> Read:
    yield "facts", arguments_of(given)


def _installation(given: Any) -> Read:
    yield "installation", _hanging(given)


def _particulars(given: Any) -> Read:
    yield "particulars", _plain_particulars(given)


def _plain_particulars(given: Mapping[str, Any]) -> dict[str, Any]:
    values = dict(given)
    if "authority_on" in values:
        values["authority_on"] = date.fromisoformat(values["authority_on"])
    if "planned_on" in values:
        values["planned_on"] = date.fromisoformat(values["planned_on"])
    if "installer" in values:
        values["installer_id"] = find(Staff, "username", values.pop("installer")).pk
    if "parent" in values:
        values["parent_id"] = find(Account, "code", values.pop("parent")).pk
    if "depot" in values:
        values["depot_id"] = find(Depot, "code", values.pop("depot")).pk
    return values


def _new_location(given: Mapping[str, Any]) -> NewLocation:
    return NewLocation(
        store_number=given["store_number"],
        depot_id=find(Depot, "code", given["depot"]).pk,
        particulars=_plain_particulars(given["particulars"]),
        state=given["state"],
        cabinets=[_new_cabinet(cabinet) for cabinet in given.get("cabinets", ())],
    )


def _new_cabinet(given: Mapping[str, Any]) -> NewCabinet:
    return NewCabinet(
        model_id=find(CabinetModel, "name", given["model"]).pk,
        particulars=given["particulars"],
        split=_split(given["split"]),
        device=_new_device(given["device"]) if "device" in given else None,
        installation=_hanging(given.get("installation", {})),
    )


def _new_device(given: Mapping[str, Any]) -> NewDevice:
    facts: dict[str, Any] = {name: value for name, value in given.items() if name != "model"}
    return NewDevice(model_id=find(DeviceModel, "name", given["model"]).pk, **facts)


def _split(given: list[list[str]]) -> list[Share]:
    return [Share(find(Product, "code", code).pk, read_percent(share)) for code, share in given]


def _hanging(given: Mapping[str, Any]) -> Installation:
    return Installation(**{**given, "sensor_order": tuple(given.get("sensor_order", ()))})


# By the argument's name in the files. What is not named here passes as it is written.
READERS: dict[str, Callable[[Any], Read]] = {
    "account": _key("account_id", Account),
    "assignment": _assignment,
    "cabinet": _cabinet,
    "cabinet_model": _key("cabinet_model_id", CabinetModel, "name"),
    "cabinets": _cabinets,
    "cabinets_to": _key("cabinets_to", Depot),
    "check": _check,
    "contact": _contact,
    "count": _key("count_id", Count, "name"),
    "depot": _key("depot_id", Depot),
    "depots": _depots,
    "difference": _difference,
    "drawn": _drawn,
    "device": _device,
    "device_token": _key("device_token_id", DeviceToken, "name"),
    "gateway": _gateway,
    "device_model": _key("device_model_id", DeviceModel, "name"),
    "devices": _devices,
    "devices_to": _key("devices_to", Depot),
    "expires_at": _time("expires_at"),
    "facts": _facts,
    "installation": _installation,
    "installer": _key("installer_id", Staff, "username"),
    "into": _into,
    "known_by": _time("known_by"),
    "location": _location,
    "locations": _locations,
    "parent": _key("parent_id", Account),
    "particulars": _particulars,
    "mounted": _mounted,
    "mounting": _mounting,
    "part": _key("part_id", KitPart),
    "period": _period,
    "photo": _photo,
    "picture": _picture,
    "planned_on": _day("planned_on"),
    "product": _key("product_id", Product),
    "read": _cautions_read,
    "rule": _kit_rule,
    "shares": _shares,
    "staff": _key("staff_id", Staff, "username"),
    "taken_at": _time("taken_at"),
    "token": _token,
    "valid_from": _time("valid_from"),
    "valid_to": _time("valid_to"),
    "visit": _visit,
}
