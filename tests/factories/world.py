"""The company of the tests, made through actions: people, depots, models, a store, cabinets, devices."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from registry.actions import accounts, assignments, cabinets, devices, locations, products, register, staff
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet, NewLocation
from registry.models import (
    Account,
    Cabinet,
    CabinetModel,
    Depot,
    Device,
    DeviceModel,
    DeviceWhereabouts,
    Location,
    Product,
    Staff,
)
from registry.rules.events import Face
from registry.rules.identifiers import check_characters
from registry.rules.splits import Share

PASSWORD = "rime-on-the-pier-7"
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


@dataclass
class World:
    """Everything that most tests begin with. `start` is when all of it begins to be true."""

    clock: Any
    start: datetime
    administrator: Actor
    office: Actor
    installer: Actor  # of Tarnmouth
    auditor: Actor
    stranger: Actor  # an installer of Fellgate
    tarnmouth: Depot
    fellgate: Depot
    cove: CabinetModel  # three sensors
    quay: CabinetModel  # five sensors
    plumb_3: DeviceModel
    plumb_5: DeviceModel
    eight_lb: Product
    eighteen_lb: Product
    account: Account
    location: Location
    _serial: int = field(default=0)
    _code: int = field(default=0)

    @classmethod
    def found(cls, clock: Any) -> "World":
        """Found a register and fill it with what most tests begin with."""
        start = clock.at - 30 * DAY
        first = register.found_register(_system(), username="admin", name="Ada Frost", password=PASSWORD)
        administrator = Actor(first.pk, Face.COMMAND)
        tarnmouth = locations.register_depot(administrator, particulars={"code": "TM", "name": "Tarnmouth"})
        fellgate = locations.register_depot(administrator, particulars={"code": "FG", "name": "Fellgate"})

        def person(name: str, role: str, *depots: UUID, everywhere: bool = False) -> Actor:
            added: Staff = staff.add_staff(
                administrator,
                username=name,
                name=name.title(),
                password=PASSWORD,
                role=role,
                depots=depots,
                everywhere=everywhere,
            )
            return Actor(added.pk, Face.API)

        office = person("office", "office", everywhere=True)
        account = accounts.register_account(
            office, particulars={"code": "LF", "name": "Lantern Fuel"}, valid_from=start
        )
        location = locations.register_location(
            office, account_id=account.pk, location=new_location(tarnmouth, "0042"), valid_from=start
        )
        return cls(
            clock=clock,
            start=start,
            administrator=administrator,
            office=office,
            installer=person("installer", "installer", tarnmouth.pk),
            auditor=person("auditor", "auditor", everywhere=True),
            stranger=person("stranger", "installer", fellgate.pk),
            tarnmouth=tarnmouth,
            fellgate=fellgate,
            cove=cabinets.register_cabinet_model(
                office, particulars={"name": "Cove 40", "sensor_count": 3, "interior_width_mm": 1200}
            ),
            quay=cabinets.register_cabinet_model(
                office, particulars={"name": "Quay 90", "sensor_count": 5, "interior_width_mm": 2200}
            ),
            plumb_3=devices.register_device_model(office, particulars=device_model("Plumb-3", "PB3", 3)),
            plumb_5=devices.register_device_model(office, particulars=device_model("Plumb-5", "PB5", 5)),
            eight_lb=products.register_product(
                office,
                particulars={"code": "B8", "name": "8 lb bag", "net_mass": "8", "net_mass_unit": "lb"},
            ),
            eighteen_lb=products.register_product(
                office,
                particulars={"code": "B18", "name": "18 lb bag", "net_mass": "18", "net_mass_unit": "lb"},
            ),
            account=account,
            location=location,
        )

    # --- more of the same, with codes of their own ---

    def serial(self, model: DeviceModel | None = None) -> str:
        """Return a fresh serial that the model accepts."""
        self._serial += 1
        chosen = model or self.plumb_3
        payload = f"{self._serial * 7919 % 10**6:06d}"
        return chosen.serial_prefix + payload + check_characters(chosen.serial_scheme().check_method, payload)

    def code(self, prefix: str) -> str:
        """Return a fresh code."""
        self._code += 1
        return f"{prefix}-{self._code:04d}"

    def device(self, model: DeviceModel | None = None, depot: Depot | None = None) -> Device:
        """Receive a device into a depot, a day after the start."""
        chosen = model or self.plumb_3
        [device] = devices.receive_devices(
            self.office,
            devices=[NewDevice(chosen.pk, self.serial(chosen))],
            depot_id=(depot or self.tarnmouth).pk,
            valid_from=self.start + DAY,
        )
        return device

    def cabinet(
        self, place: Location | Depot | None = None, model: CabinetModel | None = None, split: bool = False
    ) -> Cabinet:
        """Register a cabinet at a location (or in a depot), a day after the start."""
        chosen = place or self.location
        where = {"depot_id" if isinstance(chosen, Depot) else "location_id": chosen.pk}
        shares = [Share(self.eight_lb.pk, 6_000), Share(self.eighteen_lb.pk, 4_000)] if split else []
        return cabinets.register_cabinet(
            self.office,
            cabinet=NewCabinet((model or self.cove).pk, {"asset_tag": self.code("SK")}, shares),
            valid_from=self.start + DAY,
            **where,
        )

    def store(self, account: Account | None = None, depot: Depot | None = None) -> Location:
        """Register another location, known from the start."""
        return locations.register_location(
            self.office,
            account_id=(account or self.account).pk,
            location=new_location(depot or self.tarnmouth, self.code("N")),
            valid_from=self.start,
        )

    def assigned(self, device: Device, cabinet: Cabinet, at: datetime | None = None) -> DeviceWhereabouts:
        """Assign a device to a cabinet, two days after the start unless told."""
        return assignments.assign_device(
            self.office, device_id=device.pk, cabinet_id=cabinet.pk, valid_from=at or self.start + 2 * DAY
        )


def new_location(depot: Depot, number: str, **particulars: object) -> NewLocation:
    """Return a location to register, at an invented address."""
    return NewLocation(
        store_number=number,
        depot_id=depot.pk,
        particulars={
            "name": f"Harbour Road {number}",
            "street": "12 Harbour Road",
            "locality": "Tarnmouth",
            "country": "US",
            "time_zone": "America/New_York",
            **particulars,
        },
    )


def device_model(name: str, prefix: str, sensor_count: int) -> dict[str, object]:
    """Return the particulars of an invented device model: six digits and a Luhn check after a prefix."""
    return {
        "name": name,
        "sensor_count": sensor_count,
        "principle": "ultrasonic",
        "blind_zone_mm": 150,
        "range_mm": 3000,
        "report_interval_min": 60,
        "serial_prefix": prefix,
        "serial_alphabet": "0123456789",
        "serial_payload_length": 6,
        "serial_check_method": "luhn",
    }


def _system() -> Actor:
    from registry.actions._action import SYSTEM

    return SYSTEM


def person(world: World, role: str, *depots: Depot, everywhere: bool = False) -> Actor:
    """Let another person in, with a role and depots, and return them as an actor."""
    added = staff.add_staff(
        world.administrator,
        username=world.code(role),
        name=f"Hob {role.title()}",
        password=PASSWORD,
        role=role,
        depots=[depot.pk for depot in depots],
        everywhere=everywhere,
    )
    return Actor(added.pk, Face.API)
