"""The fleet at a moment: how much of everything there was where, of your depots and of an account."""

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Any
from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._fields import MomentField
from registry.api._reading import MOMENT_PARAMETERS
from registry.api._views import INDEX_HEADER, RegisterView
from registry.models import Depot
from registry.queries.accounts import account_at
from registry.queries.fleet import Counts, Fleet, fleet_at
from registry.queries.moments import Moment
from registry.queries.records import records_known_at
from registry.rules.locations import LocationStanding
from registry.rules.whereabouts import CabinetPlace, DevicePlace

# --- what is shown ---------------------------------------------------------------------------------


def _counted(name: str, words: str, places: Iterable[StrEnum]) -> type[serializers.Serializer[Any]]:
    """Return the serializer of a count by place: a number for each, 0 where there was none."""
    fields: dict[str, Any] = {
        "total": serializers.IntegerField(),
        **{str(place): serializers.IntegerField() for place in places},
    }
    return type(name, (serializers.Serializer,), {"__doc__": words, **fields})


LocationCountsOut = _counted("LocationCountsOut", "How many locations, by state.", LocationStanding)
CabinetCountsOut = _counted("CabinetCountsOut", "How many cabinets, by place.", CabinetPlace)
DeviceCountsOut = _counted("DeviceCountsOut", "How many devices, by place.", DevicePlace)


class CountsOut(serializers.Serializer):  # type: ignore[type-arg]
    """How much of everything."""

    locations = LocationCountsOut(help_text="by state")
    cabinets = CabinetCountsOut(help_text="by place")
    devices = DeviceCountsOut(help_text="by place")


class DepotCountsOut(CountsOut):
    """How much of everything a depot answered for, in stores and by itself."""

    depot = serializers.UUIDField()
    depot_name = serializers.CharField()


class FleetOut(CountsOut):
    """The fleet at a moment. The lists of locations, cabinets and devices tell what was counted."""

    as_of = MomentField()
    known_index = serializers.IntegerField(help_text="the ledger entry up to which this knows")
    at_head = serializers.BooleanField(help_text="nothing newer was known when it was answered")
    depots = DepotCountsOut(many=True, help_text="by the depot that answered, in order of codes")


# --- addresses -------------------------------------------------------------------------------------


class FleetShown(RegisterView):
    """How a fleet is shown."""

    out = FleetOut
    dated = True

    def told(self, fleet: Fleet, moment: Moment) -> Response:
        """Answer with what a fleet counts."""
        by_depot = fleet.by_depot()
        known = records_known_at(Depot, moment.index, [key for key in by_depot if key is not None])
        depots = sorted(known.values(), key=lambda depot: depot.code)
        data = {
            "as_of": moment.valid_at,
            "known_index": moment.index,
            "at_head": moment.at_head,
            **_numbers(fleet.counts()),
            "depots": [
                {"depot": depot.pk, "depot_name": depot.label, **_numbers(by_depot[depot.pk])}
                for depot in depots
            ],
        }
        headers = {INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}
        return Response(self.out(data).data, headers=headers)


class FleetView(FleetShown):
    """Everything that your depots answer for."""

    def get(self, request: Request) -> Response:
        """Count the fleet of your depots, as of a time and as known at one."""
        self.only(*MOMENT_PARAMETERS)
        moment = self.moment()
        return self.told(fleet_at(moment, self.scope), moment)


class AccountFleetView(FleetShown):
    """The locations of an account, and what stood and hung in them."""

    noun, place = "account", "accounts"

    def get(self, request: Request, key: UUID) -> Response:
        """Count what an account held, of your depots, as of a time and as known at one."""
        self.only(*MOMENT_PARAMETERS)
        moment = self.moment()
        account_at(key, moment)
        return self.told(fleet_at(moment, self.scope).of(account_id=key), moment)


def _numbers(counts: Counts) -> dict[str, Mapping[str, int]]:
    kinds: dict[str, Iterable[StrEnum]] = {
        "locations": LocationStanding,
        "cabinets": CabinetPlace,
        "devices": DevicePlace,
    }
    return {
        kind: {
            "total": getattr(counts, kind).total(),
            **{str(place): getattr(counts, kind)[place] for place in places},
        }
        for kind, places in kinds.items()
    }
