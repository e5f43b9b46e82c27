"""Finding devices by what somebody typed or scanned."""

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Q

from registry.models import CabinetWhereabouts, Device, DeviceModel, DeviceWhereabouts
from registry.models.base import PeriodQuerySet
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import (
    ScanKind,
    SerialScheme,
    SuggestionKind,
    accept,
    candidates,
    normalise,
    read_scan,
)
from registry.rules.roles import Role, Scope
from registry.rules.whereabouts import IN_HAND, LIVE, DevicePlace

SUGGESTIONS_MAX = 5
CANDIDATES_MAX = 2_000  # serials in one query; more are asked in further queries


def assignable_whereabouts(scope: Scope) -> "Q":
    """Return the condition on current whereabouts of devices that this person could assign."""
    in_hand = Q(place__in=[str(place) for place in IN_HAND], device__standing__in=LIVE)
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
            # The scheme that the serial begins like tells more than one that begins otherwise.
            if first_refusal is None or first_refusal.details.get("problem") == "wrong_prefix":
                first_refusal = broken
            continue
        device = Device.objects.filter(serial=serial, standing__in=LIVE).select_related("model").first()
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
    return [place.device.serial for place, _ in _near(text, schemes, scope)]


@dataclass(frozen=True, slots=True)
class Assignable:
    """A device that this person could assign, where it waits, and by which slip it was found if by one."""

    device: Device
    place: DeviceWhereabouts
    slip: SuggestionKind

    @property
    def place_words(self) -> str:
        """Where the device waits; what that refers to has been read already."""
        if self.place.staff is not None:
            return f"van of {self.place.staff.name}"
        return f"depot {self.place.depot.label}" if self.place.depot else ""


@dataclass(frozen=True, slots=True)
class Suggested:
    """Devices that somebody may mean while typing: those that begin so, and those one slip away."""

    exact: list[Assignable]
    near: list[Assignable]


def suggest(typed: str, scope: Scope) -> Suggested:
    """Return the devices that this person could assign and may mean by what is typed so far.

    At most SUGGESTIONS_MAX of each: exact ones begin with what is typed, near ones are one slip away from
    it. A code that was scanned counts by the serial in it; one that holds none finds nothing. Two queries,
    and one more for each two thousand candidates.
    """
    try:
        scan = read_scan(typed)
        text = normalise(scan.serial or scan.value)
    except RuleBroken:
        return Suggested([], [])
    begins = _in_hand(scope).filter(device__serial__startswith=text).order_by("device__serial")
    exact = [Assignable(place.device, place, SuggestionKind.EXACT) for place in begins[:SUGGESTIONS_MAX]]
    schemes = list(dict.fromkeys(model.serial_scheme() for model in DeviceModel.objects.order_by("name")))
    known = {found.device.pk for found in exact}
    near = [
        Assignable(place.device, place, slip)
        for place, slip in _near(text, schemes, scope)
        if place.device.pk not in known
    ]
    return Suggested(exact, near)


def _in_hand(scope: Scope) -> "PeriodQuerySet":
    """Return where the devices are that this person could assign now."""
    places: PeriodQuerySet = (
        DeviceWhereabouts.objects.current()
        .filter(assignable_whereabouts(scope), valid_to=None)
        .select_related("device__model", "depot", "staff")
    )
    return places


def _near(
    text: str, schemes: list[SerialScheme], scope: Scope
) -> list[tuple[DeviceWhereabouts, SuggestionKind]]:
    """Return devices in hand whose serial is one slip away, best first, at most SUGGESTIONS_MAX."""
    found: dict[str, tuple[DeviceWhereabouts, SuggestionKind]] = {}
    for scheme in schemes:
        slips = {candidate.serial: candidate.kind for candidate in candidates(text, scheme)}
        near = list(slips)
        for begin in range(0, len(near), CANDIDATES_MAX):
            batch = near[begin : begin + CANDIDATES_MAX]
            held = {place.device.serial: place for place in _in_hand(scope).filter(device__serial__in=batch)}
            for serial in batch:
                if serial in held and serial not in found:
                    found[serial] = (held[serial], slips[serial])
            if len(found) >= SUGGESTIONS_MAX:
                return list(found.values())[:SUGGESTIONS_MAX]
    return list(found.values())


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
