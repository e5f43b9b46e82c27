"""What a scanned or typed code is, and what in the register it names."""

from dataclasses import dataclass
from uuid import UUID

from registry.models import Cabinet, Device, DeviceModel, Location, Product
from registry.queries.assignments import devices_in
from registry.queries.cabinets import cabinets_in
from registry.queries.locations import locations_in
from registry.queries.moments import present
from registry.rules.cabinets import asset_tag
from registry.rules.errors import RuleBroken
from registry.rules.events import Kind
from registry.rules.identifiers import Scan, ScanKind, accept, read_scan
from registry.rules.roles import Scope
from registry.rules.whereabouts import LIVE


@dataclass(frozen=True, slots=True)
class Match:
    """A thing of the register that a code names, and what people call it."""

    kind: Kind
    id: UUID
    label: str


@dataclass(frozen=True, slots=True)
class Identified:
    """What a code says, and the things that it names among those which this person may see.

    `schemes` are the device models whose serial scheme accepts the code.
    """

    scan: Scan
    schemes: tuple[DeviceModel, ...]
    matches: tuple[Match, ...]


def identify(code: str, scope: Scope) -> Identified:
    """Return what a code is; raises RuleBroken SCAN_INVALID, SCAN_AMBIGUOUS, CHECK_INVALID."""
    scan = read_scan(code)
    moment = present()
    found: list[Match] = []
    schemes: list[DeviceModel] = []
    if scan.kind in (ScanKind.SERIAL, ScanKind.GTIN):
        text = scan.serial or scan.value
        serials = set()
        for model in DeviceModel.objects.order_by("name"):
            try:
                serials.add(accept(model.serial_scheme(), text))
            except RuleBroken:
                continue
            schemes.append(model)
        devices = devices_in(moment, scope).filter(serial__in=serials, standing__in=LIVE)
        found += [_match(Kind.DEVICE, device) for device in devices.order_by("serial")]
    if scan.kind is ScanKind.GTIN:
        found += [_match(Kind.PRODUCT, product) for product in Product.objects.filter(gtin=scan.value)]
    if scan.kind is ScanKind.GLN:
        places = locations_in(moment, scope).filter(gln=scan.value)
        found += [_match(Kind.LOCATION, place) for place in places]
    tags = _tags(scan, code)
    cabinets = cabinets_in(moment, scope).filter(asset_tag__in=tags).order_by("asset_tag")
    found += [_match(Kind.CABINET, cabinet) for cabinet in cabinets]
    return Identified(scan, tuple(schemes), tuple(found))


def _tags(scan: Scan, code: str) -> set[str]:
    """Return the asset tags that a code may be: a GS1 asset key, or plain text."""
    if scan.kind is ScanKind.GIAI:
        return {f"(8004){scan.value}"}
    if scan.kind is ScanKind.GRAI:
        return {f"(8003){scan.value}"}
    if scan.kind is not ScanKind.SERIAL:
        return set()
    try:
        return {asset_tag(code, "code")}
    except RuleBroken:
        return set()


def _match(kind: Kind, thing: Device | Cabinet | Location | Product) -> Match:
    return Match(kind, thing.pk, thing.label)
