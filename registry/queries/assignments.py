"""Devices as of V, as known at R: the whereabouts of everything, and what hung in which cabinet."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Exists, F, OuterRef, Q, QuerySet

from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    Depot,
    Device,
    DeviceModel,
    DeviceWhereabouts,
    Location,
)
from registry.queries.cabinets import stays_in
from registry.queries.moments import Moment
from registry.queries.records import as_known, refer_as_known
from registry.rules.errors import absent
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


# --- devices ---------------------------------------------------------------------------------------


def places_in(moment: Moment, scope: Scope) -> "QuerySet[DeviceWhereabouts]":
    """Return where devices were at V as known at R, for which the scope's depots answer today."""
    places = DeviceWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if scope.everywhere:
        return places
    return places.filter(Q(depot__in=scope.depots) | Q(cabinet__in=stays_in(moment, scope).values("cabinet")))


def devices_in(moment: Moment, scope: Scope) -> "QuerySet[Device]":
    """Return the devices that were somewhere at V as the register knew at R, in no order.

    Those only for which the scope's depots answered then.
    """
    return Device.objects.filter(pk__in=places_in(moment, scope).values("device"))


def devices_as_known(rows: Iterable[Device], moment: Moment) -> list[DeviceAt]:
    """Return devices that were read, in their order, as of V as known at R.

    Models, depots, cabinets and locations as the register knew them at R, too; a van's person by the name
    of today. Seven queries, and two more for each kind of thing of which one was revised since.
    """
    known = as_known(rows, moment.index)
    places = DeviceWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    place_of: dict[UUID, DeviceWhereabouts] = {
        place.device_id: place for place in places.filter(device__in=known).select_related("staff")
    }
    return _devices_at([(device, place_of[device.pk]) for device in known], moment)


def devices_at(
    moment: Moment,
    scope: Scope | None = None,
    *,
    location_id: UUID | None = None,
    assigned_only: bool = False,
) -> list[DeviceAt]:
    """Return where every device was at V as the register knew at R, by serial.

    Those only that were in the scope's depots, or at one location, or assigned to a cabinet, where told.
    """
    places = places_in(moment, Scope.of_all())
    if assigned_only or location_id is not None:
        places = places.filter(place=DevicePlace.CABINET)
    everything = devices_as_known(Device.objects.filter(pk__in=places.values("device")), moment)
    found = [
        at
        for at in everything
        if (location_id is None or (at.stay is not None and at.stay.location_id == location_id))
        and (scope is None or _covers(scope, at.place, at.stay))
    ]
    return sorted(found, key=lambda at: (at.device.serial, at.device.pk))


def device_at(device_id: UUID, moment: Moment, scope: Scope) -> DeviceAt:
    """Return one device as of V as known at R; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for at in devices_as_known(devices_in(moment, scope).filter(pk=device_id), moment):
        return at
    raise absent("device")


# --- assignments -----------------------------------------------------------------------------------


def assignments_in(moment: Moment, scope: Scope, *, ended_too: bool = False) -> "QuerySet[DeviceWhereabouts]":
    """Return the assignments that ran at V as known at R, in no order; with `ended_too` those of any time.

    Those only for whose cabinet the scope's depots answered at V, as they do today; of those that did not
    run then, at any time while they ran.
    """
    found = DeviceWhereabouts.objects.believed_at(moment.index).filter(place=DevicePlace.CABINET)
    if not ended_too:
        found = found.valid_at(moment.valid_at)
    if scope.everywhere:
        return found
    stays = (
        CabinetWhereabouts.objects.believed_at(moment.index)
        .filter(Q(depot__in=scope.depots) | Q(location__depot__in=scope.depots))
        .filter(cabinet=OuterRef("cabinet"))
    )
    still_there = stays.filter(Q(valid_to=None) | Q(valid_to__gt=OuterRef("valid_from")))
    ended, later = Q(valid_to__lte=moment.valid_at), Q(valid_from__gt=moment.valid_at)
    return found.filter(
        ended & Exists(still_there.filter(valid_from__lt=OuterRef("valid_to")))
        | later & Exists(still_there.filter(valid_from__lte=OuterRef("valid_from")))
        | ~ended & ~later & Exists(stays.valid_at(moment.valid_at))
    )


def assignments_as_known(rows: Iterable[DeviceWhereabouts], moment: Moment) -> list[DeviceAt]:
    """Return assignments that were read, in their order, with what they refer to as known at R."""
    places = list(rows)
    refer_as_known(places, moment.index, device=Device)
    return _devices_at([(place.device, place) for place in places], moment)


def assignment_at(assignment_id: UUID, moment: Moment, scope: Scope) -> DeviceAt:
    """Return one assignment (its stable identity) as known at R, whenever it ran.

    Raises RuleBroken NOT_FOUND for an absent or hidden one.
    """
    found = assignments_in(moment, scope, ended_too=True).filter(period=assignment_id)
    for at in assignments_as_known(found, moment):
        return at
    raise absent("assignment")


def _devices_at(found: list[tuple[Device, DeviceWhereabouts]], moment: Moment) -> list[DeviceAt]:
    """Return devices with their places: each cabinet by where it stood at V or when the period ended."""
    places = [place for _, place in found]
    stays = list(
        CabinetWhereabouts.objects.believed_at(moment.index)
        .filter(cabinet__in={place.cabinet_id for place in places if place.cabinet_id})
        .order_by(F("valid_from").desc(), "id")
    )
    refer_as_known(places, moment.index, cabinet=Cabinet, depot=Depot)
    refer_as_known(stays, moment.index, location=Location, depot=Depot)
    refer_as_known([device for device, _ in found], moment.index, model=DeviceModel)
    stays_of: dict[UUID, list[CabinetWhereabouts]] = {}
    for stay in stays:
        stays_of.setdefault(stay.cabinet_id, []).append(stay)
    return [
        DeviceAt(device, place, _stay(stays_of.get(place.cabinet_id or device.pk, []), place, moment))
        for device, place in found
    ]


def _stay(
    stays: list[CabinetWhereabouts], place: DeviceWhereabouts, moment: Moment
) -> CabinetWhereabouts | None:
    """Return where a cabinet stood at V, or last while the assignment ran if that was over by then."""
    if place.valid_to is not None and place.valid_to <= moment.valid_at:
        return next((stay for stay in stays if stay.valid_from < place.valid_to), None)
    at = max(moment.valid_at, place.valid_from)
    return next((stay for stay in stays if stay.as_period().contains(at)), None)


def _covers(scope: Scope, place: DeviceWhereabouts, stay: CabinetWhereabouts | None) -> bool:
    if scope.everywhere:
        return True
    depot_id = stay.answering_depot_id() if stay is not None else place.depot_id
    return depot_id is not None and scope.covers(depot_id)
