"""The catalogue: depots, cabinet models, device models and products; registered and corrected alike."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import URLPattern, path, reverse

from registry.actions import cabinets, devices, locations, products
from registry.console._forms import Choice, Number, PlainForm, Reason, Text, WholeNumber, words_of
from registry.console._pages import Visit, page
from registry.console._writing import Wish, write, writing
from registry.models import CabinetModel, Depot, DeviceModel, Product
from registry.models.base import Record
from registry.rules.cabinets import DoorKind, Refrigeration, Supply
from registry.rules.devices import Compensation, Principle
from registry.rules.errors import absent
from registry.rules.identifiers import CheckMethod
from registry.rules.products import MassUnit
from registry.rules.roles import require_depot

YES_OR_NO = [("yes", "yes"), ("no", "no")]
# A scheme names its parts shorter than a model does.
SCHEME_FIELDS = {
    name: f"serial_{name}"
    for name in ("prefix", "alphabet", "payload_length", "check_method", "check_covers_prefix")
}
UNITS = {"mm": "mm", "l": "litres", "g": "g", "min": "minutes", "m3": "kg per cubic metre"}


class YesOrNo(Choice):
    """Yes or no."""

    def __init__(self, label: str, **options: Any) -> None:
        super().__init__(label, YES_OR_NO, coerce=lambda word: word == "yes", **options)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored truth value as its word."""
        return {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value


class ThingForm(PlainForm):
    """What a thing of the catalogue is made of."""

    def particulars(self) -> dict[str, Any]:
        """Return the particulars."""
        return {name: value for name, value in self.cleaned_data.items() if name != "reason"}


class DepotForm(ThingForm):
    """What a depot is made of."""

    code = Text("Code", help_text="short, without spaces")
    name = Text("Name")


class CabinetModelForm(ThingForm):
    """What a cabinet model is made of; what is unknown stays so, and cautions take the stricter."""

    name = Text("Name")
    sensor_count = WholeNumber("Sensors that it takes")
    door = Choice("Door", words_of(DoorKind), initial=str(DoorKind.UNKNOWN))
    refrigeration = Choice("Cooled by", words_of(Refrigeration), initial=str(Refrigeration.UNKNOWN))
    supply = Choice("Power by", words_of(Supply), initial=str(Supply.UNKNOWN))
    refrigerant = Text("Refrigerant", optional=True, help_text="ISO 817 designation, from the plate")
    refrigerant_charge_g = WholeNumber("Charge, in g", optional=True)
    interior_width_mm = WholeNumber("Interior width, in mm", optional=True)
    interior_depth_mm = WholeNumber("Interior depth, in mm", optional=True)
    interior_height_mm = WholeNumber("Interior height, in mm", optional=True)
    usable_volume_l = WholeNumber("Usable volume, in litres", optional=True)
    groups = {
        "Cooling and power": ("refrigeration", "supply", "refrigerant", "refrigerant_charge_g"),
        "Inside": ("interior_width_mm", "interior_depth_mm", "interior_height_mm", "usable_volume_l"),
    }


class CorrectDeviceModelForm(ThingForm):
    """What a device model is made of, beside the scheme of its serials."""

    name = Text("Name")
    sensor_count = WholeNumber("Sensors")
    principle = Choice("Measures by", words_of(Principle), initial=str(Principle.ULTRASONIC))
    blind_zone_mm = WholeNumber("Blind zone, in mm", help_text="nearer than this it cannot measure")
    range_mm = WholeNumber("Range, in mm")
    compensates = Choice("Compensates temperature", words_of(Compensation), initial=str(Compensation.UNKNOWN))
    report_interval_min = WholeNumber("Reports every, in minutes")


class DeviceModelForm(CorrectDeviceModelForm):
    """What a device model is made of, with the scheme by which its serials are judged for good."""

    serial_prefix = Text("Prefix", optional=True)
    serial_alphabet = Text("Characters", help_text="those that may follow the prefix, such as 0123456789")
    serial_payload_length = WholeNumber("Characters without prefix and check")
    serial_check_method = Choice("Check method", [(str(method), str(method)) for method in CheckMethod])
    serial_check_covers_prefix = YesOrNo("The check covers the prefix", initial=False)
    groups = {
        "Serials": (
            "serial_prefix",
            "serial_alphabet",
            "serial_payload_length",
            "serial_check_method",
            "serial_check_covers_prefix",
        )
    }


class ProductForm(ThingForm):
    """What a bag size is made of."""

    code = Text("Code", help_text="short, without spaces")
    name = Text("Name")
    net_mass = Number("Declared net mass")
    net_mass_unit = Choice("in", words_of(MassUnit))
    gtin = Number("GTIN", optional=True, help_text="8, 12, 13 or 14 digits, with the check digit")
    stack_density_kg_m3 = WholeNumber("Stack density, in kg per cubic metre", optional=True)
    discontinued = YesOrNo("Discontinued", initial=False)


@dataclass(frozen=True, slots=True)
class Sort:
    """A sort of thing in the catalogue: how it is called, made and corrected."""

    name: str
    words: str
    model: type[Record]
    form: type[ThingForm]
    correct_form: type[ThingForm]
    register: Callable[..., Any]
    correct: Callable[..., Any]
    told: str
    hint: str = ""

    @property
    def list_address(self) -> str:
        """The address of the list of all of this sort."""
        return reverse(f"admin:registry_{self.model._meta.model_name}_changelist")

    def address_of(self, key: UUID) -> str:
        """Return the address of a thing's page."""
        return reverse(f"admin:{self.name}", args=[key])

    def find(self, visit: Visit, key: UUID) -> Any:
        """Return a thing of this sort that the person may see; raises RuleBroken NOT_FOUND."""
        if self.model is Depot:
            require_depot(visit.scope, key, self.name)
        found = self.model._default_manager.filter(pk=key).first()
        if found is None:
            raise absent(self.name)
        return found

    def columns(self) -> Sequence[str]:
        """Return the columns that its page tells, in the order of its form."""
        return list(self.form.base_fields)


SORTS = [
    Sort(
        "depot", "depot", Depot, DepotForm, DepotForm, locations.register_depot, locations.correct_depot,
        "Where cabinets and devices wait, and whose work is whose.",
    ),
    Sort(
        "cabinet_model", "cabinet model", CabinetModel, CabinetModelForm, CabinetModelForm,
        cabinets.register_cabinet_model, cabinets.correct_cabinet_model,
        "Kinds of freezer: how they are cooled and powered, and how many sensors they take.",
        "What the plate does not say stays unknown: cautions then take the stricter.",
    ),
    Sort(
        "device_model", "device model", DeviceModel, DeviceModelForm, CorrectDeviceModelForm,
        devices.register_device_model, devices.correct_device_model,
        "Kinds of controller with sensors, and the scheme of their serials.",
        "The scheme by which serials are judged does not change under them.",
    ),
    Sort(
        "product", "product", Product, ProductForm, ProductForm, products.register_product,
        products.correct_product, "Bag sizes that share a freezer.",
    ),
]  # fmt: skip


@page
def catalogue(visit: Visit) -> HttpResponse:
    """Show the four lists of the catalogue, each with how many there are, then practice and kit."""
    doors = [
        {
            "words": f"{sort.words.capitalize()}s",
            "told": sort.told,
            "address": sort.list_address,
            "count": sort.model._default_manager.count(),
            "buttons": visit.buttons(
                (sort.register, f"Register a {sort.words}", reverse(f"admin:{sort.name}_register"))
            ),
        }
        for sort in SORTS
    ]
    doors.append(
        {
            "words": "Practice of mounting",
            "told": "From which to which measure a rail, an exit and a hole are as they should be.",
            "address": reverse("admin:mounting_practice"),
            "count": "",
            "buttons": [],
        }
    )
    doors.append(
        {
            "words": "Kit",
            "told": "What an installer takes along, and the rules by which it is counted.",
            "address": reverse("admin:kit"),
            "count": "",
            "buttons": [],
        }
    )
    return visit.show("console/catalogue.html", {"title": "Catalogue", "doors": doors})


def _page(sort: Sort) -> Callable[..., HttpResponse]:
    @page
    def thing(visit: Visit, key: UUID) -> HttpResponse:
        row = sort.find(visit, key)
        facts = [(_words(sort, name), _value(row, name)) for name in sort.columns()]
        return visit.show(
            "console/thing.html",
            {
                "title": f"{sort.words.capitalize()} {row.label}",
                "trail": _trail(sort),
                "facts": facts,
                "hint": sort.hint,
                "buttons": visit.buttons(
                    (sort.correct, "Correct", reverse(f"admin:{sort.name}_correct", args=[key]))
                ),
            },
        )

    return thing


def _trail(sort: Sort) -> list[tuple[str, str]]:
    return [
        ("Catalogue", reverse("admin:catalogue")),
        (f"{sort.words.capitalize()}s", sort.list_address),
    ]


def _words(sort: Sort, name: str) -> str:
    return str(sort.form.base_fields[name].label).split(", in ")[0]


def _value(row: Any, name: str) -> str:
    value = getattr(row, name)
    if value is None or value == "":
        return "not said"
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = UNITS.get(name.rpartition("_")[2], "")
    return f"{value} {unit}" if unit else str(value).replace("_", " ")


def _register(sort: Sort) -> Callable[..., HttpResponse]:
    @writing(sort.register)
    def register(visit: Visit) -> HttpResponse:
        return write(
            visit,
            Wish(
                title=f"Register a {sort.words}",
                form=sort.form,
                action=sort.register,
                arguments=lambda form: {"particulars": form.particulars()},
                back=sort.list_address,
                after=lambda row: sort.address_of(row.pk),
                fields=SCHEME_FIELDS,
                words=f"{sort.told} {sort.hint}".strip(),
            ),
        )

    return register


def _correct(sort: Sort) -> Callable[..., HttpResponse]:
    class CorrectForm(sort.correct_form):  # type: ignore[name-defined,misc]
        reason = Reason()

    @writing(sort.correct)
    def correct(visit: Visit, key: UUID) -> HttpResponse:
        row = sort.find(visit, key)
        return write(
            visit,
            Wish(
                title=f"Correct {sort.words} {row.label}",
                form=CorrectForm,
                action=sort.correct,
                arguments=lambda form: {
                    f"{sort.name}_id": key,
                    "particulars": form.particulars(),
                    "reason": form.cleaned_data["reason"],
                },
                back=sort.address_of(key),
                about=[key],
                initial={name: getattr(row, name) for name in sort.correct_form.base_fields},
                words=f"Put right what was wrong from the beginning. {sort.hint}".strip(),
            ),
        )

    return correct


# The addresses of every sort, made alike.
PAGES: list[URLPattern] = [path("catalogue/", catalogue, name="catalogue")]
for _sort in SORTS:
    _place = f"catalogue/{_sort.name.replace('_', '-')}s/"
    PAGES += [
        path(f"{_place}register/", _register(_sort), name=f"{_sort.name}_register"),
        path(f"{_place}<uuid:key>/", _page(_sort), name=_sort.name),
        path(f"{_place}<uuid:key>/correct/", _correct(_sort), name=f"{_sort.name}_correct"),
    ]
