"""Splits: how products share a cabinet, set from a time on."""

from uuid import UUID

from django.http import HttpResponse

from registry.actions import products
from registry.console._forms import Reason, TimeField
from registry.console._pages import Visit
from registry.console._splits import SplitForm, initial_shares
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.cabinets import address_of, in_sight


class SetSplitForm(SplitForm):
    """How products share a cabinet from a time on."""

    split_first = True
    valid_from = TimeField("Since when")
    reason = Reason()


@writing(products.set_split)
def set_split(visit: Visit, key: UUID) -> HttpResponse:
    """Set how products share a cabinet, left to right."""
    now = in_sight(visit, key)
    held = [share.product_id for share in now.split.shares.all()] if now.split else []
    return write(
        visit,
        Wish(
            title=f"Set the split of cabinet {now.cabinet.label}",
            form=lambda *args, **options: SetSplitForm(*args, besides=held, **options),
            action=products.set_split,
            arguments=lambda form: {
                "cabinet_id": key,
                "shares": form.shares(),
                "valid_from": form.cleaned_data["valid_from"],
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            about=[key],
            initial={**initial_shares(now.split), "valid_from": type_time(visit.now, visit.zone)},
            fields={"shares": "percent_1"},
            words="Shares of the interior width, left to right as one stands before the open freezer;"
            " together exactly 100 %.",
            template="console/splitting.html",
        ),
    )
