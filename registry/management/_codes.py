"""The codes that people use in the demo's files, and the records behind them."""

from registry.models import Device, Location, LocationHolding
from registry.models.base import Record
from registry.rules.whereabouts import LIVE


class ScenarioError(Exception):
    """The scenario cannot be read or replayed; its text is a sentence for the person who tried."""


def find(model: type[Record], field: str, code: object) -> Record:
    """Return the record that has this code in a field; raises ScenarioError."""
    found: Record | None = model._default_manager.filter(**{field: code}).first()
    if found is None:
        raise ScenarioError(f"The demo's files name {code!r}, which is not in the register.")
    return found


def find_location(key: str) -> Location:
    """Return a location by account code and present store number ("LF 0042"); raises ScenarioError."""
    account, _, number = key.partition(" ")
    held = LocationHolding.objects.current().filter(account__code=account, store_number=number, valid_to=None)
    holding = held.select_related("location").first()
    if holding is None:
        raise ScenarioError(f"The demo's files name the store {key!r}, which is not in the register.")
    location: Location = holding.location
    return location


def find_device(serial: str) -> Device:
    """Return the device that has this serial now; raises ScenarioError."""
    device = Device.objects.filter(serial=serial, standing__in=LIVE).first()
    if device is None:
        raise ScenarioError(f"The demo's files name the device {serial!r}, which is not in the register.")
    return device
