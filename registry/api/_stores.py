"""Bodies of stores and of what stands in them, which several addresses read."""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from registry.actions._stores import NewCabinet, NewLocation
from registry.api._fields import Day, In, Key, Number, Percent, Text
from registry.api.assignments import InstallationIn
from registry.api.devices import NewDeviceIn
from registry.rules.cabinets import Setting
from registry.rules.locations import LocationStanding
from registry.rules.splits import Share


class ShareIn(In):
    """A product's share of the interior width."""

    product = Key(source="product_id")
    share = Percent(source="hundredths", help_text="percent, at most two decimals; all add to exactly 100")

    def to_internal_value(self, data: Any) -> Share:
        """Return the share as a plain value."""
        return Share(**super().to_internal_value(data))


class CabinetParticularsIn(In):
    """What is known of a cabinet; what is left out stays."""

    asset_tag = Text(required=False, help_text="our own code, or (8004) and a GIAI, or (8003) and a GRAI")
    maker_serial = Text(required=False)
    setting = serializers.ChoiceField(choices=[str(setting) for setting in Setting], required=False)
    position = Text(required=False, help_text="where in the store")
    condition = Text(required=False)


class CabinetIn(CabinetParticularsIn):
    """A cabinet to register, with its split if that is known."""

    model = Key(source="model_id")
    asset_tag = Text(help_text="our own code, or (8004) and a GIAI, or (8003) and a GRAI")
    shares = ShareIn(many=True, required=False, source="split", help_text="left to right")

    def to_internal_value(self, data: Any) -> Any:
        """Return the cabinet as a plain value."""
        return self.new_cabinet(self.values_of(data))

    def values_of(self, data: Any) -> dict[str, Any]:
        """Return the values by the names of what they become."""
        given: dict[str, Any] = super().to_internal_value(data)
        return given

    def new_cabinet(self, given: dict[str, Any]) -> NewCabinet:
        """Return the cabinet of such values; what is no part of a cabinet is one of its particulars."""
        parts, particulars = _parted(given, ("model_id", "key", "split", "device", "installation"))
        return NewCabinet(particulars=particulars, **parts)


class StandingCabinetIn(CabinetIn):
    """A cabinet that stands already, with what hangs in it."""

    device = NewDeviceIn(required=False, help_text="what hangs in it")
    installation = InstallationIn(required=False)


class LocationParticularsIn(In):
    """What is known of a location; what is left out stays."""

    name = Text(required=False)
    street = Text(required=False, help_text="up to three lines")
    locality = Text(required=False, help_text="town")
    region = Text(required=False)
    postal_code = Text(required=False)
    country = Text(required=False, help_text="ISO 3166-1 alpha-2")
    latitude = Number(required=False, allow_null=True, help_text="degrees, WGS 84, north of the equator")
    longitude = Number(required=False, allow_null=True, help_text="degrees, WGS 84, east of Greenwich")
    time_zone = Text(required=False, help_text="IANA name, such as America/New_York")
    gln = Text(required=False, allow_null=True, help_text="13 digits, with its check digit")
    visiting_hours = Text(required=False)
    authority_on = Day(
        required=False, allow_null=True, help_text="when the customer allowed the installation"
    )
    authority_reference = Text(required=False)


class LocationIn(LocationParticularsIn):
    """A location to register, with its cabinets."""

    store_number = Text(help_text="the number by which the account counts it; text, so zeros stay")
    depot = Key(source="depot_id", help_text="the depot that answers for it")
    name = Text()
    locality = Text(help_text="town")
    country = Text(help_text="ISO 3166-1 alpha-2")
    time_zone = Text(help_text="IANA name, such as America/New_York")
    state = serializers.ChoiceField(
        choices=[str(state) for state in LocationStanding if state is not LocationStanding.CLOSED],
        required=False,
        help_text="open unless told",
    )
    cabinets = CabinetIn(many=True, required=False)

    def to_internal_value(self, data: Any) -> Any:
        """Return the location as a plain value."""
        return self.new_location(self.values_of(data))

    def values_of(self, data: Any) -> dict[str, Any]:
        """Return the values by the names of what they become."""
        given: dict[str, Any] = super().to_internal_value(data)
        return given

    def new_location(self, given: dict[str, Any]) -> NewLocation:
        """Return the location of such values; what is no part of a location is one of its particulars."""
        parts, particulars = _parted(given, ("store_number", "depot_id", "state", "cabinets"))
        return NewLocation(particulars=particulars, **parts)


class StandingLocationIn(LocationIn):
    """A location that stands already, with its cabinets and what hangs in them."""

    cabinets = StandingCabinetIn(many=True, required=False)


def _parted(given: Mapping[str, Any], names: tuple[str, ...]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the values with these names, and the others."""
    parts = {name: given[name] for name in names if name in given}
    return parts, {name: value for name, value in given.items() if name not in parts}
