"""Forms of stores and of the cabinets in them, for the pages that register many things at once."""

from collections.abc import Iterator, Mapping
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms

from registry.actions._devices import NewDevice
from registry.actions._steps import within
from registry.actions._stores import CABINETS_MAX, NewCabinet, NewLocation
from registry.console._forms import Choice, Choices, Day, KeyChoice, Number, PlainForm, Text, words_of
from registry.console._pages import Visit
from registry.console._times import SHAPE, read_time, type_time
from registry.models import CabinetModel, Depot, DeviceModel, Location, Product
from registry.rules import locations as location_rules
from registry.rules import particulars as particular_rules
from registry.rules.cabinets import Setting
from registry.rules.errors import RuleBroken
from registry.rules.locations import LocationStanding
from registry.rules.splits import Share, read_percent

ROWS_FIRST = 3  # rows for cabinets in a fresh form, so that it serves without a script
SHARES_TYPED_MAX = 3  # of one cabinet, on a page of many; common practice is two or three, no source

# Where a row shows what a refusal names otherwise.
ROW_FIELDS = {"shares": "product_1", "share": "percent_1"}
ROWS_REFUSED = {
    "too_many_forms": f"At most {CABINETS_MAX} cabinets go into one request. Register the rest afterwards.",
    "missing_management_form": "The rows of the cabinets came incomplete. Open the form afresh.",
}
BEGINNINGS = [(str(state), str(state)) for state in LocationStanding if state is not LocationStanding.CLOSED]


# --- cabinets, a row each --------------------------------------------------------------------------


class CabinetRow(PlainForm):
    """A cabinet to register, with its split where that is known."""

    asset_tag = Text("Asset tag")
    model = KeyChoice("Model")
    setting = Choice("Stands", words_of(Setting))
    position = Text("Where in the store", optional=True)
    maker_serial = Text("Maker's serial", optional=True)

    def __init__(self, *args: Any, catalogue: "Catalogue", **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["model"].offer(catalogue.cabinet_models)  # type: ignore[attr-defined]
        self.fields["setting"].initial = str(Setting.UNKNOWN)
        for number in range(1, SHARES_TYPED_MAX + 1):
            self.fields[f"product_{number}"] = KeyChoice(
                f"Product {number}", catalogue.products, optional=True, blank="none"
            )
            self.fields[f"percent_{number}"] = Text(f"Share of product {number}, %", optional=True)

    def has_changed(self) -> bool:
        """Say whether anything was typed into the row; the setting alone is nothing typed."""
        return any(name != "setting" for name in self.changed_data)

    def shares(self) -> list[Share]:
        """Return the split as it was typed, left to right; raises RuleBroken SPLIT_INVALID."""
        found = []
        for number in range(1, SHARES_TYPED_MAX + 1):
            product = self.cleaned_data.get(f"product_{number}")
            percent = self.cleaned_data.get(f"percent_{number}", "")
            if product is None and not percent:
                continue
            if product is None:
                raise particular_rules.invalid(f"product_{number}", "Say of which product this is the share.")
            found.append(Share(product, read_percent(percent, f"percent_{number}")))
        return found

    def new_cabinet(self) -> NewCabinet:
        """Return the cabinet as a plain value; raises RuleBroken SPLIT_INVALID."""
        particulars = {
            name: self.cleaned_data[name] for name in ("asset_tag", "setting", "position", "maker_serial")
        }
        return NewCabinet(self.cleaned_data["model"], particulars, self.shares())

    def facts(self) -> list[Any]:
        """Return the fields of the cabinet itself."""
        apart = ("product_", "percent_")
        return [bound for bound in self.visible_fields() if not bound.name.startswith(apart)]

    def empty_facts(self) -> list[tuple[Any, list[str]]]:
        """Return the fields of the cabinet itself, with nothing suggested for them."""
        return [(bound, []) for bound in self.facts()]

    def split_fields(self) -> list[tuple[Any, Any]]:
        """Return the fields of the split, by product and share."""
        return [
            (self[f"product_{number}"], self[f"percent_{number}"])
            for number in range(1, SHARES_TYPED_MAX + 1)
        ]


class StandingCabinetRow(CabinetRow):
    """A cabinet that stands already, with the device that hangs in it where there is one."""

    device_model = KeyChoice("Device model", optional=True, blank="no device")
    serial = Text("Device's serial", optional=True)

    def __init__(self, *args: Any, catalogue: "Catalogue", **options: Any) -> None:
        super().__init__(*args, catalogue=catalogue, **options)
        self.fields["device_model"].offer(  # type: ignore[attr-defined]
            (model.pk, model.name) for model in catalogue.device_models
        )

    def new_cabinet(self) -> NewCabinet:
        """Return the cabinet with its device as a plain value; raises RuleBroken SPLIT_INVALID."""
        new = super().new_cabinet()
        model, serial = self.cleaned_data["device_model"], self.cleaned_data["serial"]
        if model is None and not serial:
            return new
        if model is None:
            raise particular_rules.invalid("device_model", "Say of which model the device is.")
        return NewCabinet(new.model_id, new.particulars, new.split, NewDevice(model, serial))


class Catalogue:
    """What the rows choose from, read once a page."""

    def __init__(self) -> None:
        self.cabinet_models: list[tuple[Any, str]] = [
            (model.pk, model.name) for model in CabinetModel.objects.order_by("name")
        ]
        products = Product.objects.filter(discontinued=False).order_by("name", "id")
        self.products: list[tuple[Any, str]] = [(product.pk, product.name) for product in products]
        self.device_models = list(DeviceModel.objects.order_by("name"))


# --- a location with its cabinets ------------------------------------------------------------------


class LocationFields(PlainForm):
    """What a location is made of."""

    name = Text("Name", help_text="as people call the store")
    street = Text("Street", optional=True, lines=2, help_text="up to three lines")
    postal_code = Text("Postal code", optional=True)
    locality = Text("Town")
    region = Text("Region", optional=True, help_text="state or province")
    country = Text("Country", help_text="two capital letters, such as US")
    time_zone = Text("Time zone", help_text="of the place, such as America/New_York")
    depot = KeyChoice("Depot that answers for it")
    latitude = Number("Latitude", optional=True, help_text="degrees, WGS 84; north is positive")
    longitude = Number("Longitude", optional=True, help_text="degrees, WGS 84; east is positive")
    gln = Text("GLN", optional=True, help_text="13 digits, with its check digit")
    visiting_hours = Text("Visiting hours", optional=True, lines=2)
    authority_on = Day("Allowed to install on", optional=True, help_text="date, as 2026-03-02")
    authority_reference = Text("Reference of that", optional=True)

    def __init__(self, *args: Any, depots: Choices = (), **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depot"].offer(depots)  # type: ignore[attr-defined]

    def particulars(self) -> dict[str, Any]:
        """Return the particulars as the rules take them, without the depot."""
        values = {name: self.cleaned_data[name] for name in location_rules.FIELDS}
        return {**values, "gln": values["gln"] or None}


class StoreForm(LocationFields):
    """A location to register, with its store number, its state, its cabinets, and since when."""

    store_number = Text("Store number", help_text="by which the account counts it; leading zeros stay")
    state = Choice("State", BEGINNINGS)
    valid_from = Text("Since when", help_text=f"local time of the time zone above, as {SHAPE}")

    row_class: type[CabinetRow] = CabinetRow
    time_name = "valid_from"
    groups: Mapping[str, tuple[str, ...]] = {
        "The store": (
            "name", "store_number", "street", "postal_code", "locality", "region", "country", "depot",
            "state", "time_zone", "valid_from",
        ),
        "More about it": (
            "latitude", "longitude", "gln", "visiting_hours", "authority_on", "authority_reference",
        ),
    }  # fmt: skip

    def __init__(self, data: Any = None, **options: Any) -> None:
        super().__init__(data, **options)
        catalogue = Catalogue()
        rows = forms.formset_factory(
            self.row_class, extra=ROWS_FIRST, max_num=CABINETS_MAX, absolute_max=CABINETS_MAX
        )
        each = {"zone": self.zone, "catalogue": catalogue}
        self.rows = rows(data, prefix="cabinets", error_messages=ROWS_REFUSED, form_kwargs=each)

    def clean(self) -> dict[str, Any]:
        """Read the time in the zone that was typed beside it."""
        given = super().clean() or self.cleaned_data
        if "time_zone" not in given or self.time_name not in given:
            return given
        try:
            self.zone = ZoneInfo(str(particular_rules.time_zone(given["time_zone"].strip(), "time_zone")))
            given[self.time_name] = read_time(given[self.time_name], self.zone, self.time_name)
        except RuleBroken as broken:
            self.add_error(broken.field, broken.message)
        return given

    def is_valid(self) -> bool:
        """Say whether both the store and every row of a cabinet can be read."""
        here, there = super().is_valid(), self.rows.is_valid()
        return here and there

    def filled_rows(self) -> list[CabinetRow]:
        """Return the rows into which something was typed."""
        return [row for row in self.rows.forms if row.has_changed()]

    def new_location(self) -> NewLocation:
        """Return the store as a plain value; raises RuleBroken SPLIT_INVALID."""
        given = self.cleaned_data
        return NewLocation(
            store_number=given["store_number"],
            depot_id=given["depot"],
            particulars=self.particulars(),
            state=given["state"],
            cabinets=self._new_cabinets(),
        )

    def _new_cabinets(self) -> list[NewCabinet]:
        found = []
        for place, row in enumerate(self.filled_rows()):
            with within("cabinets", place):
                found.append(row.new_cabinet())
        return found

    def refuse(self, broken: RuleBroken, fields: Mapping[str, str]) -> None:
        """Put a refusal beside its field, in the row of the cabinet that it is about."""
        path = broken.details.get("path")
        steps = path if isinstance(path, list) else []
        if "cabinets" not in steps:
            super().refuse(broken, fields)
            return
        row = self.filled_rows()[int(steps[steps.index("cabinets") + 1])]
        row.refuse(broken, ROW_FIELDS)

    def unjudge(self) -> None:
        """Show what was typed without saying what is wrong with it."""
        super().unjudge()
        for row in self.rows.forms:
            row.unjudge()

    def problems(self) -> list[tuple[str, str]]:
        """Return what is wrong with the store, then with each cabinet."""
        found = super().problems()
        found += [("", str(words)) for words in self.rows.non_form_errors()]
        for number, row in enumerate(self.rows.forms, start=1):
            found += [(address, f"Cabinet {number}: {words}") for address, words in row.problems()]
        return found

    def offered_rows(self) -> Iterator[tuple[int, CabinetRow, list[tuple[Any, list[str]]]]]:
        """Yield the rows by number, each with the fields of its cabinet and what was suggested for them."""
        for number, row in enumerate(self.rows.forms, start=1):
            yield number, row, [(bound, row.suggestions.get(bound.name, [])) for bound in row.facts()]


class StandingStoreForm(StoreForm):
    """A location that stands already, with what hangs in its cabinets."""

    row_class = StandingCabinetRow
    valid_from = None  # type: ignore[assignment]
    known_by = Text("Known by", help_text=f"all of it was so no later than then; as {SHAPE}")
    reason = Text(
        "Reason", optional=True, lines=2, help_text="Kept in the ledger for good. No personal data."
    )
    time_name = "known_by"
    groups: Mapping[str, tuple[str, ...]] = {
        "The store": (*StoreForm.groups["The store"][:-1], "known_by"),
        "More about it": StoreForm.groups["More about it"],
        "Why": ("reason",),
    }


def depots_of(visit: Visit) -> list[tuple[UUID, str]]:
    """Return the depots of which the person may see and change things."""
    depots = Depot.objects.order_by("code")
    if not visit.scope.everywhere:
        depots = depots.filter(pk__in=visit.scope.depots)
    return [(depot.pk, depot.label) for depot in depots]


def beginning(visit: Visit, time_name: str = "valid_from") -> dict[str, Any]:
    """Return with what a form for a new store begins: as the newest store of the person's depots is."""
    newest = Location.objects.order_by("-registered")
    if not visit.scope.everywhere:
        newest = newest.filter(depot__in=visit.scope.depots)
    last = newest.first()
    depots = depots_of(visit)
    found: dict[str, Any] = {"state": str(LocationStanding.OPEN)}
    if len(depots) == 1:
        found["depot"] = depots[0][0]
    if last is not None:
        visit.in_zone(last.time_zone)
        found |= {
            "country": last.country,
            "region": last.region,
            "time_zone": last.time_zone,
            time_name: type_time(visit.now, visit.zone),
        }
    return found
