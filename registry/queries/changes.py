"""What was written, in words: what a correction replaced, and what an action would change.

Both are read off images, so that they hold for every action. Keys are told by what people call the things.
"""

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from uuid import UUID

from registry.ledger.images import Image, ledgered_models, table_name
from registry.models import Product, SplitShare, Staff
from registry.models.base import Record
from registry.queries.records import records_known_at
from registry.rules.canonical import Json
from registry.rules.splits import percent_text

# A row that was written: its table, and its images before (None for a new row) and after.
Written = tuple[str, Image | None, Image]

# What a reader calls a dated table, and the column that names whose history it is.
TABLE_WORDS = {
    "accountstate": ("state of account", "account_id"),
    "cabinetwhereabouts": ("place of cabinet", "cabinet_id"),
    "devicewhereabouts": ("place of device", "device_id"),
    "locationholding": ("holder of location", "location_id"),
    "locationstate": ("state of location", "location_id"),
    "split": ("split of cabinet", "cabinet_id"),
    "staffdepot": ("depots of", "staff_id"),
}
# Columns that say nothing to a reader.
SILENT = frozenset(
    {
        "id",
        "period",
        "recorded_index",
        "superseded_index",
        "registered_index",
        "revised_index",
        "name_commitment",
        "commitment",
    }
)
BOUNDS = ("valid_from", "valid_to", "starts_known_by")
# What a withdrawn period said, beside its bounds.
FACTS = ("place", "state", "cabinet_id", "location_id", "account_id", "store_number", "depot_id", "staff_id")
# Facts that speak for themselves; any other is told with the name of its column.
PLAIN_FACTS = frozenset({"place", "state"})
NOTHING = "nothing"
# Columns that people write otherwise than they are named.
COLUMN_WORDS = {
    "gln": "GLN",
    "gtin": "GTIN",
    "imei": "IMEI",
    "iccid": "ICCID",
    "authority_on": "allowed to install on",
}


@dataclass(frozen=True, slots=True)
class Words:
    """What things are called by their key, splits by their shares, and in which zone times are told."""

    labels: Mapping[str, str]
    shares: Mapping[str, str] = field(default_factory=dict)
    zone: tzinfo = UTC

    def value(self, column: str, value: Json) -> str:
        """Return a column's value as people say it."""
        if value in (None, ""):
            return "still" if column == "valid_to" else "not said"
        if column in ("valid_from", "valid_to") or column.endswith("_at"):
            return show_time(datetime.fromisoformat(str(value)), self.zone)
        if isinstance(value, bool):
            return "yes" if value else "no"
        return self.labels.get(
            str(value), str(value).replace("_", " ") if column in PLAIN_FACTS else str(value)
        )


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """One change: of what, what it says now, and what it will say."""

    what: str
    was: str
    will: str


def show_time(moment: datetime, zone: tzinfo) -> str:
    """Return a time to the minute in a zone, with the zone's name; to the second where it has seconds."""
    local = moment.astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M:%S %Z}" if local.second else f"{local:%Y-%m-%d %H:%M %Z}"


# --- what a correction replaced --------------------------------------------------------------------


def replaced(images: Sequence[Written], words: Words) -> list[str]:
    """Return what a correction replaced, a line a change; nothing for what was merely added."""
    fresh = _fresh(images)
    lines: list[str] = []
    for table, before, after in images:
        if before is None:
            continue
        if after.get("superseded_index") is None:
            lines += _told(before, after, words)
            continue
        whose = whose_words(table, before, words)
        following = fresh.get((table, before["period"]))
        if following is None:
            lines.append(f"{whose}: {_withdrawn(table, before, words)} was withdrawn")
            continue
        lines += [f"{whose}: {change}" for change in _told(before, following, words)]
        was, now = words.shares.get(str(before["id"])), words.shares.get(str(following["id"]))
        if was != now:
            lines.append(f"{whose}: shares were {was}, are now {now}")
    return lines


def _told(before: Image, after: Image, words: Words) -> list[str]:
    return [
        f"{column_words(column)} was {words.value(column, value)}, is now"
        f" {words.value(column, after.get(column))}"
        for column, value in _changed(before, after)
    ]


def _withdrawn(table: str, before: Image, words: Words) -> str:
    span = " to ".join(words.value(end, before[end]) for end in ("valid_from", "valid_to"))
    return f"{fact_words(table, before, words)}, {span},"


def fact_words(table: str, image: Image, words: Words) -> str:
    """Return by what a reader knows a period, beside whose it is and its bounds."""
    whose = TABLE_WORDS[table][1]
    facts = [words.value(name, image[name]) for name in FACTS if name != whose and image.get(name)]
    shared = words.shares.get(str(image["id"]))
    return " ".join([*facts, shared] if shared else facts)


# --- what an action would change -------------------------------------------------------------------


def change_lines(
    images: Sequence[Written], labels: Mapping[str, str], known_index: int, zone: tzinfo = UTC
) -> list[ChangeLine]:
    """Return what rows would be written, a line a change, with times told in `zone`.

    `labels` are those of the things that an entry would be about, by key: of new ones the register does
    not know any yet. What else is referred to is called as right after entry `known_index`.
    """
    words = Words({**referred_labels(images, known_index, labels), **labels}, {}, zone)
    words = Words(words.labels, _shares_of(images, words, known_index), zone)
    fresh = _fresh(images)
    lines: list[ChangeLine] = []
    for table, before, after in images:
        if table == "splitshare":
            continue  # told with its split
        if table not in TABLE_WORDS:
            lines += record_lines(table, before, after, words)
        elif before is None:
            if not _continues(images, table, after):
                lines.append(
                    ChangeLine(whose_words(table, after, words), NOTHING, period_words(table, after, words))
                )
        else:
            following = fresh.get((table, before.get("period")))
            will = "taken away" if following is None else period_words(table, following, words)
            lines.append(
                ChangeLine(whose_words(table, before, words), period_words(table, before, words), will)
            )
    return lines


def record_lines(table: str, before: Image | None, after: Image, words: Words) -> list[ChangeLine]:
    """Return what became of a record, a line a column; one line for a new one."""
    noun = _nouns().get(table, table)
    key = str(after["id"])
    label = words.labels.get(key)
    called = label if label and label.startswith(noun) else " ".join([noun, label] if label else [noun])
    if before is None:
        said = [
            f"{column_words(column)} {words.value(column, value)}"
            for column, value in after.items()
            if column not in SILENT and value not in (None, "", False)
        ]
        return [ChangeLine(called, "not in the register", ", ".join(said))]
    return [
        ChangeLine(
            f"{column_words(column)} of {called}",
            words.value(column, value),
            words.value(column, after.get(column)),
        )
        for column, value in _changed(before, after)
    ]


def period_words(table: str, image: Image, words: Words) -> str:
    """Return everything that a period says, beside whose it is."""
    whose = TABLE_WORDS[table][1]
    facts = [
        words.value(column, value)
        if column in PLAIN_FACTS or column.endswith("_id")
        else f"{column_words(column)} {words.value(column, value)}"
        for column, value in image.items()
        if column not in SILENT and column not in BOUNDS and column != whose and value not in (None, "")
    ]
    # "location Harbour Road" rather than both words apart.
    if len(facts) > 1 and "place" in image:
        facts = [" ".join(facts[:2]), *facts[2:]]
    shared = words.shares.get(str(image["id"]))
    told = ", ".join([*facts, shared] if shared else facts)
    if "valid_from" not in image:
        return told
    since = "known by" if image.get("starts_known_by") else "from"
    start = words.value("valid_from", image["valid_from"])
    end = "on" if image.get("valid_to") is None else f"to {words.value('valid_to', image['valid_to'])}"
    return f"{told}, {since} {start} {end}"


def _continues(images: Sequence[Written], table: str, after: Image) -> bool:
    """Say whether a new row stands in the place of one that is superseded with it."""
    return any(
        other == table and before is not None and before.get("period") == after.get("period")
        for other, before, _ in images
        if "period" in after
    )


# --- what both need --------------------------------------------------------------------------------


def column_words(column: str) -> str:
    """Return what people call a column."""
    return COLUMN_WORDS.get(column, column.removesuffix("_id").replace("_", " "))


def referred_labels(
    images: Iterable[Written], known_index: int, called: Container[str] = ()
) -> dict[str, str]:
    """Return what is called how of everything that images refer to by key, one query a kind of thing.

    Keys in `called` are left out: what they are called is known already.
    """
    wanted: dict[type[Record], set[UUID]] = {}
    for table, before, after in images:
        for column, model in _references().get(table, {}).items():
            for image in (before or {}, after):
                if image.get(column) and image[column] not in called:
                    wanted.setdefault(model, set()).add(UUID(str(image[column])))
    people = wanted.pop(Staff, set())
    found = {
        str(key): thing.label
        for model, keys in wanted.items()
        for key, thing in records_known_at(model, known_index, keys).items()
    }
    if people:
        names = Staff.objects.filter(pk__in=people).exclude(name="").values_list("pk", "name")
        found |= {str(key): name for key, name in names}
    return found


def told_shares(splits: Iterable[UUID], known_index: int) -> dict[str, str]:
    """Return the shares of splits in words, left to right, by the split's key: one or two queries."""
    shares = list(SplitShare.objects.filter(split__in=set(splits)).order_by("position"))
    if not shares:
        return {}
    products = records_known_at(Product, known_index, {share.product_id for share in shares})
    return _joined(
        (str(share.split_id), products[share.product_id].label, share.hundredths) for share in shares
    )


def _shares_of(images: Sequence[Written], words: Words, known_index: int) -> dict[str, str]:
    """Return the shares of the splits in images, those to be written as well as those superseded."""
    news = [after for table, _, after in images if table == "splitshare"]
    olds = [UUID(str(before["id"])) for table, before, _ in images if table == "split" and before]
    fresh = _joined(
        (
            str(share["split_id"]),
            words.value("product_id", share["product_id"]),
            int(str(share["hundredths"])),
        )
        for share in sorted(news, key=lambda share: int(str(share["position"])))
    )
    return fresh | (told_shares(olds, known_index) if olds else {})


def _joined(shares: Iterable[tuple[str, str, int]]) -> dict[str, str]:
    told: dict[str, list[str]] = {}
    for split, product, hundredths in shares:
        told.setdefault(split, []).append(f"{product} {percent_text(hundredths)} %")
    return {split: ", ".join(parts) for split, parts in told.items()}


def _fresh(images: Iterable[Written]) -> dict[tuple[str, Json], Image]:
    return {
        (table, after["period"]): after
        for table, before, after in images
        if before is None and "period" in after
    }


def _changed(before: Image, after: Image) -> list[tuple[str, Json]]:
    return [
        (column, value)
        for column, value in before.items()
        if column not in SILENT and after.get(column) != value
    ]


def whose_words(table: str, image: Image, words: Words) -> str:
    """Return whose history a period belongs to."""
    called, column = TABLE_WORDS[table]
    return f"{called} {words.value(column, image[column])}"


def _nouns() -> dict[str, str]:
    """Return what people call each table of records."""
    return {
        table_name(model): str(model._meta.verbose_name)
        for model in ledgered_models()
        if issubclass(model, Record)
    }


def _references() -> dict[str, dict[str, type[Record]]]:
    """Return by table which columns refer to which records."""
    found: dict[str, dict[str, type[Record]]] = {}
    for model in ledgered_models():
        for column in model._meta.local_concrete_fields:
            target = column.related_model
            if isinstance(target, type) and issubclass(target, Record):
                found.setdefault(table_name(model), {})[str(column.column)] = target
    return found
