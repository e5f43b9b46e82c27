"""How products share a cabinet: the rows of a form, and the picture of a freezer's front."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from registry.console._choices import products
from registry.console._forms import KeyChoice, Number, PlainForm
from registry.models import DeviceWhereabouts, Split
from registry.queries.cabinets import CabinetAt
from registry.rules.splits import SHARES_MAX, Share, percent_text, read_percent

ROWS_SEEN = 4  # products that are asked for at first; more are folded away. Common practice: two or three
# The picture, in units of a thousandth of the interior width.
PICTURE_WIDTH = 1_000
RAIL_HEIGHT = 64
PANE_HEIGHT = 180
LETTER_WIDTH = 19


class SplitForm(PlainForm):
    """A form with the products that share a cabinet, left to right; `split_first` where it is about them."""

    split_first = False

    def __init__(self, *args: Any, besides: Sequence[UUID] = (), **options: Any) -> None:
        super().__init__(*args, **options)
        offered = products(besides)
        for row in range(1, SHARES_MAX + 1):
            self.fields[f"product_{row}"] = KeyChoice(
                f"Product {row} from the left", offered, optional=True, blank="none"
            )
            self.fields[f"percent_{row}"] = Number(f"Share {row}, %", optional=True)

    def rows_seen(self) -> list[tuple[Any, Any]]:
        """Return the rows that are shown at first: product and percentage."""
        return self._rows(1, ROWS_SEEN)

    def rows_folded(self) -> list[tuple[Any, Any]]:
        """Return the rows that are folded away."""
        return self._rows(ROWS_SEEN + 1, SHARES_MAX)

    def _rows(self, first: int, last: int) -> list[tuple[Any, Any]]:
        return [(self[f"product_{row}"], self[f"percent_{row}"]) for row in range(first, last + 1)]

    @property
    def folded_open(self) -> bool:
        """Say whether something stands in a row that would be folded away."""
        return any(product.value() or percent.value() for product, percent in self.rows_folded())

    def plain_sections(self) -> Iterator[tuple[str, list[tuple[Any, list[str]]]]]:
        """Yield the sections of what is not the split."""
        for heading, fields in self.offered_sections():
            kept = [one for one in fields if not one[0].name.startswith(("product_", "percent_"))]
            if kept:
                yield heading, kept

    def clean(self) -> dict[str, Any]:
        """Refuse a share without a product, and a product without a share."""
        for row in range(1, SHARES_MAX + 1):
            product = self.cleaned_data.get(f"product_{row}")
            percent = self.cleaned_data.get(f"percent_{row}")
            if product and not percent and f"percent_{row}" not in self.errors:
                self.add_error(f"percent_{row}", "This is missing. Give the share, or choose no product.")
            if percent and not product and f"product_{row}" not in self.errors:
                self.add_error(f"product_{row}", "This is missing. Choose the product of this share.")
        return self.cleaned_data

    def shares(self) -> list[Share]:
        """Return the shares, left to right; raises RuleBroken SPLIT_INVALID for what is no percentage."""
        return [
            Share(
                self.cleaned_data[f"product_{row}"],
                read_percent(self.cleaned_data[f"percent_{row}"], f"percent_{row}"),
            )
            for row in range(1, SHARES_MAX + 1)
            if self.cleaned_data[f"product_{row}"]
        ]


def initial_shares(split: Split | None) -> dict[str, Any]:
    """Return what a form of a split begins with; its shares have been read already or cost one query."""
    found: dict[str, Any] = {}
    for row, share in enumerate(split.shares.all() if split else (), start=1):
        found[f"product_{row}"] = share.product_id
        found[f"percent_{row}"] = percent_text(share.hundredths)
    return found


# --- the picture -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pane:
    """A product's place in the picture, in its units from the left."""

    left: int
    width: int
    middle: int
    name: str
    percent: str
    tint: int


@dataclass(frozen=True, slots=True)
class Rail:
    """A row of sensors in the picture: a port and its place each, left to right."""

    label: str
    top: int
    words_top: int
    sensors: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Front:
    """A freezer's front: what shares it and what hangs in it, in a picture and in words."""

    panes: tuple[Pane, ...]
    rails: tuple[Rail, ...]
    words: str

    @property
    def panes_top(self) -> int:
        """Where the products begin, below the rails."""
        return 14 + RAIL_HEIGHT * len(self.rails)

    @property
    def name_top(self) -> int:
        """Where the names of the products stand."""
        return self.panes_top + 84

    @property
    def percent_top(self) -> int:
        """Where the percentages stand."""
        return self.panes_top + 130

    @property
    def case_height(self) -> int:
        """The height of the freezer."""
        return self.panes_top + (PANE_HEIGHT if self.panes else 0) - 2

    @property
    def height(self) -> int:
        """The height of the picture."""
        return self.case_height + 4


def front_of(at: CabinetAt) -> Front:
    """Return the picture of a cabinet; what it refers to has been read already."""
    panes, edge = [], 0
    for position, share in enumerate(at.split.shares.all() if at.split else ()):
        left = edge * PICTURE_WIDTH // 10_000
        edge += share.hundredths
        width = edge * PICTURE_WIDTH // 10_000 - left
        percent = f"{percent_text(share.hundredths)} %"
        panes.append(
            Pane(
                left,
                width,
                left + width // 2,
                _fitting(share.product.name, width),
                _fitting(percent, width),
                position % 4 + 1,
            )
        )
    rails = tuple(_rail(place, row, len(at.hanging)) for row, place in enumerate(at.hanging))
    return Front(tuple(panes), rails, f"{_split_words(at)} {_hanging_words(at)}")


def _split_words(at: CabinetAt) -> str:
    told = ", then ".join(f"{name} {percent} %" for name, percent in at.shares)
    return f"Left to right: {told}." if told else "The split is not said."


def _hanging_words(at: CabinetAt) -> str:
    hung = [
        f"{place.device.serial} with ports {place.sensor_order} from left to right"
        + (f" in slot {place.slot}" if len(at.hanging) > 1 else "")
        for place in at.hanging
    ]
    return f"In it hangs {' and '.join(hung)}." if hung else "Nothing hangs in it."


def _rail(place: DeviceWhereabouts, row: int, rows: int) -> Rail:
    ports = place.sensor_order.split()
    step = PICTURE_WIDTH / len(ports)
    top = 38 + row * RAIL_HEIGHT
    sensors = tuple((round(step * (index + 0.5)), port) for index, port in enumerate(ports))
    return Rail(f"slot {place.slot}" if rows > 1 else "", top, top + 10, sensors)


def _fitting(text: str, width: int) -> str:
    return text if len(text) * LETTER_WIDTH < width - 10 else ""
