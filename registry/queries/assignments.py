"""Devices as of V, as known at R: the whereabouts of everything, and what hung in which cabinet."""

from dataclasses import dataclass
from uuid import UUID

from registry.models import Cabinet, CabinetWhereabouts, Depot, Device, DeviceWhereabouts, Location
from registry.queries.moments import Moment
from registry.queries.records import records_known_at, refer_as_known
from registry.rules.roles import Scope
from registry.rules.whereabouts import DevicePlace


@dataclass(frozen=True, slots=True)
class DeviceAt:
    """A device as known at R, where it was at V, and where the cabinet stood in which it hung."""

    device: Device
    place: DeviceWhereabouts
    stay: CabinetWhereabouts | None

    @property
    def words(self) -> str:
        """Where the device was, in words; what the place refers to has been read already."""
        place = self.place
        if place.cabinet is not None:
            at = (self.stay.location or self.stay.depot) if self.stay else None
            return f"cabinet {place.cabinet.label}" + (f" at {at.label}" if at else "")
        if place.staff is not None:
            return f"van of {place.staff.name}"
        depot = place.depot.label if place.depot else ""
        return f"depot {depot}" if place.place == DevicePlace.DEPOT else f"{place.place}, of depot {depot}"


def devices_at(
    moment: Moment,
    scope: Scope | None = None,
    *,
    location_id: UUID | None = None,
    assigned_only: bool = False,
) -> list[DeviceAt]:
    """Return where every device was at V as the register knew at R, by serial.

    Those only that were in the scope's depots, or at one location, or assigned to a cabinet, where told.
    Depots, cabinets and locations are told as the register knew them at R, too; a van's person by the
    name of today. Seven queries, and two more for each kind of thing of which one was revised since.
    """
    places = DeviceWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if assigned_only or location_id is not None:
        places = places.filter(place=DevicePlace.CABINET)
    place_of: dict[UUID, DeviceWhereabouts] = {
        place.device_id: place for place in places.select_related("staff")
    }
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    stay_of = {
        stay.cabinet_id: stay
        for stay in stays.filter(
            cabinet__in=[place.cabinet_id for place in place_of.values() if place.cabinet_id]
        )
    }
    refer_as_known(place_of.values(), moment.index, cabinet=Cabinet, depot=Depot)
    refer_as_known(stay_of.values(), moment.index, location=Location, depot=Depot)
    known = records_known_at(Device, moment.index, place_of)
    found = []
    for key, device in known.items():
        place = place_of[key]
        stay = stay_of.get(place.cabinet_id) if place.cabinet_id else None
        at_location = location_id is None or (stay is not None and stay.location_id == location_id)
        if at_location and (scope is None or _covers(scope, place, stay)):
            found.append(DeviceAt(device, place, stay))
    return sorted(found, key=lambda at: (at.device.serial, at.device.pk))


def _covers(scope: Scope, place: DeviceWhereabouts, stay: CabinetWhereabouts | None) -> bool:
    if scope.everywhere:
        return True
    depot_id = stay.answering_depot_id() if stay is not None else place.depot_id
    return depot_id is not None and scope.covers(depot_id)
