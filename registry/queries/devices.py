"""Finding devices by what somebody typed or scanned."""

from uuid import UUID

from django.db.models import Q

from registry.models import CabinetWhereabouts, Device, DeviceModel, DeviceWhereabouts
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import ScanKind, SerialScheme, accept, candidates, read_scan
from registry.rules.roles import Role, Scope
from registry.rules.whereabouts import IN_HAND, DevicePlace, DeviceStanding

SUGGESTIONS_MAX = 5
CANDIDATES_MAX = 2_000  # serials in one query; more are asked in further queries
STANDING = (DeviceStanding.CONFIRMED, DeviceStanding.PROVISIONAL)


def assignable_whereabouts(scope: Scope) -> "Q":
    """Return the condition on current whereabouts of devices that this person could assign."""
    in_hand = Q(place__in=[str(place) for place in IN_HAND], device__standing__in=STANDING)
    if scope.role is Role.INSTALLER:  # nothing is taken out of another's van
        in_hand &= Q(place=str(DevicePlace.DEPOT)) | Q(staff=scope.staff_id)
    return in_hand if scope.everywhere else in_hand & Q(depot__in=scope.depots)


def resolve_serial(typed: str, scope: Scope, *, sensor_count: int | None = None) -> Device:
    """Return the device of a serial as typed or scanned, if it is in this person's depots.

    Raises RuleBroken SERIAL_INVALID for a text of no scheme and NOT_FOUND for a serial that nobody booked
    in; either way `details["suggestions"]` lists the nearest serials that this person could assign,
    those with the right number of sensors first. For a code that cannot be read or names something else
    (SCAN_INVALID, SCAN_AMBIGUOUS, CHECK_INVALID, SERIAL_INVALID) there are none.
    """
    try:
        scan = read_scan(typed)
    except RuleBroken as broken:
        broken.field = "serial"
        broken.details["suggestions"] = []
        raise
    text = scan.serial or scan.value
    if scan.kind not in (ScanKind.SERIAL, ScanKind.GTIN):
        raise RuleBroken(
            Code.SERIAL_INVALID,
            f"This is a {scan.kind.upper()}, not a device's serial. Scan the label of the device.",
            field="serial",
            details={"problem": "wrong_kind", "suggestions": []},
        )
    models = sorted(
        DeviceModel.objects.all(), key=lambda model: (model.sensor_count != sensor_count, model.name)
    )
    schemes = list(dict.fromkeys(model.serial_scheme() for model in models))
    first_refusal: RuleBroken | None = None
    for scheme in schemes:
        try:
            serial = accept(scheme, text)
        except RuleBroken as broken:
            first_refusal = first_refusal or broken
            continue
        device = Device.objects.filter(serial=serial, standing__in=STANDING).select_related("model").first()
        if device is not None and (scope.everywhere or _depot_now(device) in scope.depots):
            return device
        first_refusal = RuleBroken(
            Code.NOT_FOUND,
            f"No device {serial} is in the register for your depots. Compare it with the label;"
            " if it says so, record the device as provisional.",
            field="serial",
            details={"serial": serial},
        )
        break
    if first_refusal is None:
        raise RuleBroken(
            Code.NOT_FOUND, "No device model is registered yet. Register one first.", field="serial"
        )
    first_refusal.details["suggestions"] = suggestions(text, schemes, scope)
    first_refusal.field = "serial"
    raise first_refusal


def suggestions(text: str, schemes: list[SerialScheme], scope: Scope) -> list[str]:
    """Return the nearest serials that this person could assign, best first, at most SUGGESTIONS_MAX."""
    found: list[str] = []
    for scheme in schemes:
        near = [candidate.serial for candidate in candidates(text, scheme)]
        for begin in range(0, len(near), CANDIDATES_MAX):
            batch = near[begin : begin + CANDIDATES_MAX]
            held = set(
                DeviceWhereabouts.objects.current()
                .filter(assignable_whereabouts(scope), valid_to=None, device__serial__in=batch)
                .values_list("device__serial", flat=True)
            )
            found += [serial for serial in batch if serial in held and serial not in found]
            if len(found) >= SUGGESTIONS_MAX:
                return found[:SUGGESTIONS_MAX]
    return found


def _depot_now(device: Device) -> UUID | None:
    place = DeviceWhereabouts.objects.current().filter(device=device).order_by("-valid_from").first()
    if place is None or place.depot_id is not None:
        return place.depot_id if place else None
    stay = (
        CabinetWhereabouts.objects.current()
        .filter(cabinet=place.cabinet_id)
        .select_related("location")
        .order_by("-valid_from")
        .first()
    )
    return stay.answering_depot_id() if stay else None
