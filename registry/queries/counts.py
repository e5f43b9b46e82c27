"""Counts: the list that is drawn from, the blind sheet, and how the findings differ from the register."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Count as Number
from django.db.models import Q, QuerySet

from registry.models import Count, CountItem, Depot, Device, Entry
from registry.queries.assignments import DeviceAt, devices_as_known, devices_at
from registry.queries.moments import Moment, present
from registry.queries.records import records_known_at
from registry.rules.counts import (
    NOT_SEEN_THERE,
    STRATUM_WORDS,
    CountState,
    Decision,
    DifferenceKind,
    Outcome,
    Plan,
    Question,
    Result,
    Sample,
    Strata,
    check_closed,
    difference_kind,
    outcome,
    plan_sample,
    plan_words,
)
from registry.rules.errors import absent
from registry.rules.roles import Role, Scope
from registry.rules.sampling import Rounding, draw, lot_digest
from registry.rules.sheets import sheet
from registry.rules.whereabouts import LIVE, DevicePlace

SHEET_COLUMNS = ("Place", "Kind", "Where", "Address", "Serial found", "Seen at", "Note")

EVERYTHING = Scope.of_all()

# --- the frozen list -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lot:
    """A frozen list: by stratum and serial, the devices where they were at V as known at R."""

    strata: Mapping[str, Mapping[str, DeviceAt]]

    @property
    def sizes(self) -> dict[str, int]:
        """How many devices each stratum has."""
        return {name: len(devices) for name, devices in self.strata.items()}

    def lines(self) -> list[str]:
        """Return the list as it is hashed: a line "serial stratum place holder" for each device."""
        return sorted(
            f"{serial} {name} {at.place.place} {holder_id(at)}"
            for name, devices in self.strata.items()
            for serial, at in devices.items()
        )

    def sha256(self) -> str:
        """Return the digest of the list."""
        return lot_digest(self.lines())

    def drawn(self, sample: Sample, seed: str) -> list[tuple[str, DeviceAt]]:
        """Return the devices that a seed draws, each with its stratum."""
        keys = {name: list(devices) for name, devices in self.strata.items()}
        return [
            (name, self.strata[name][serial])
            for name, serials in draw(keys, sample.allocation, seed).items()
            for serial in serials
        ]


def frozen_lot(moment: Moment, depot_id: UUID | None, places: Iterable[DevicePlace], strata: Strata) -> Lot:
    """Return the list of devices in places of these kinds at V as known at R, of one depot or of all.

    The same whenever it is asked again. It reads the whole fleet: about ten queries.
    """
    scope = None if depot_id is None else Scope(Role.AUDITOR, frozenset({depot_id}))
    kinds = set(places)
    depots = records_known_at(Depot, moment.index) if strata is Strata.DEPOT else {}
    parted: dict[str, dict[str, DeviceAt]] = {}
    for at in devices_at(moment, scope):
        if at.place.place in kinds and at.device.standing in LIVE:
            parted.setdefault(_stratum(at, strata, depots), {})[at.device.serial] = at
    return Lot(dict(sorted(parted.items())))


def _stratum(at: DeviceAt, strata: Strata, depots: Mapping[UUID, Depot]) -> str:
    if strata is Strata.PLACE:
        return STRATUM_WORDS[DevicePlace(at.place.place)]
    if strata is Strata.DEPOT:
        answering = _answering(at)
        return depots[answering].code if answering else "none"
    return "all"


def _answering(at: DeviceAt) -> UUID | None:
    return at.stay.answering_depot_id() if at.stay else at.place.depot_id


def holder_id(at: DeviceAt) -> UUID:
    """Return the key of where a device is: of the cabinet, of the person whose van it is, or of the depot."""
    place = at.place
    key: UUID = place.cabinet_id or place.staff_id or place.depot_id  # type: ignore[assignment]
    return key


# --- counts ----------------------------------------------------------------------------------------


def counts_in(scope: Scope) -> "QuerySet[Count]":
    """Return the counts that this person may see, in no order; each with how many lines were looked at.

    A count of all depots is seen by who sees all depots.
    """
    found = Count.objects.select_related("depot")
    done = Q(items__sampled=True, items__place_done=True)
    found = found.annotate(lines_done=Number("items", filter=done))
    return found if scope.everywhere else found.filter(depot__in=scope.depots)


def count_now(count_id: UUID, scope: Scope) -> Count:
    """Return one count; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    count = counts_in(scope).filter(pk=count_id).first()
    if count is None:
        raise absent("count")
    return count


def question_of(count: Count) -> Question:
    """Return the question that a count's sample answers."""
    return Question(
        Plan(count.plan), count.confidence_hundredths, count.tolerated_hundredths, Rounding(count.rounding)
    )


def words_of_plan(count: Count) -> str:
    """Return in one sentence what a count's plan means."""
    return plan_words(question_of(count), count.lot_size, count.sample_size, count.acceptance_number)


def lines_of(count: Count) -> list[CountItem]:
    """Return the lines of a count that stand, with what they refer to, by the sheet: one query."""
    related = ("depot", "staff", "cabinet", "location", "device", "counted_by", "decided_by")
    found = CountItem.objects.filter(count=count, withdrawn=False).select_related(*related)
    return list(found.order_by("position"))


# --- the sheet -------------------------------------------------------------------------------------


# Blank lines of the printed sheet: never as many as are expected (common practice, no source).
LINES_PRINTED = {DevicePlace.CABINET: 2, DevicePlace.VAN: 12, DevicePlace.DEPOT: 40}


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """A place to go to, and what was typed there so far. Not what the register expects there."""

    key: UUID
    place: DevicePlace
    words: str
    address: str
    position: int
    typed: tuple[str, ...]
    done: bool
    not_counted: bool = False  # nobody could look at some of it

    @property
    def argument(self) -> dict[str, UUID]:
        """The place, as the actions take it."""
        return {PLACE_ARGUMENT[self.place]: self.key}

    @property
    def blank_lines(self) -> range:
        """The lines to fill in on paper."""
        return range(1, LINES_PRINTED[self.place] + 1)


PLACE_ARGUMENT = {
    DevicePlace.CABINET: "cabinet_id",
    DevicePlace.VAN: "staff_id",
    DevicePlace.DEPOT: "depot_id",
}


def sheet_to_fill(count: Count) -> str:
    """Return the blind sheet of a count for a spreadsheet: a row for each place, to be filled in."""
    rows = [
        (place.position, str(place.place), place.words, place.address, None, None, None)
        for place in sheet_of(lines_of(count))
    ]
    return sheet(SHEET_COLUMNS, rows)


def sheet_of(lines: Sequence[CountItem]) -> list[SheetPlace]:
    """Return the places of a count in the order of the sheet, of lines that were read."""
    by_place: dict[UUID, list[CountItem]] = {}
    for line in lines:
        by_place.setdefault(line.holder_id, []).append(line)
    return [
        SheetPlace(
            key,
            DevicePlace(found[0].place),
            found[0].place_words,
            _address(found[0]),
            number,
            tuple(line.typed for line in found if line.typed),
            all(line.place_done for line in found if line.sampled),
            any(line.result == Result.NOT_COUNTED for line in found),
        )
        for number, (key, found) in enumerate(by_place.items(), start=1)
    ]


def _address(line: CountItem) -> str:
    if line.location is None:
        return ""
    return ", ".join(part for part in (line.location.street, line.location.locality) if part)


# --- the variance ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """Where register and place differ. `item` is its line; `seen` the line where the device was seen instead.

    `now` is where the register has the device today, in words, `decision_reason` what a decision gave.
    """

    item: CountItem
    kind: DifferenceKind
    seen: CountItem | None
    now: str
    decision_reason: str

    @property
    def kind_words(self) -> str:
        """The kind, as people read it."""
        return str(self.kind).replace("_", " ")

    @property
    def decided_index(self) -> int | None:
        """The entry of the decision, the last that is written of a line; None for none."""
        return self.item.revised_id if self.item.decision else None

    @property
    def serial(self) -> str:
        """The device's serial, or the one that nobody booked in."""
        return self.item.device.serial if self.item.device else self.item.serial

    @property
    def expected_words(self) -> str:
        """Where the register had the device when the list was frozen, as far as the line says."""
        return self.item.place_words if self.item.sampled else "elsewhere"

    @property
    def found(self) -> CountItem | None:
        """The line of where it was seen, None for nowhere."""
        return self.seen if self.item.sampled else self.item

    @property
    def found_words(self) -> str:
        """Where it was seen."""
        if self.found is None:
            return "not looked at" if self.kind is DifferenceKind.NOT_COUNTED else "nowhere"
        return self.found.place_words

    @property
    def counters(self) -> set[UUID | None]:
        """Who counted it."""
        return {self.item.counted_by_id} | ({self.seen.counted_by_id} if self.seen else set())


@dataclass(frozen=True, slots=True)
class Variance:
    """How the findings differ from the register, and what that says; `finds` were seen beside the sample.

    `counted` is what was found, whatever was decided since; `decided` leaves out what was dismissed.
    """

    differences: list[Difference]
    counted: Outcome
    decided: Outcome
    finds: int
    finds_agreeing: int


def variance_of(count: Count, scope: Scope = EVERYTHING) -> Variance:
    """Return what a closed count says to somebody; raises RuleBroken COUNT_OPEN while people still count."""
    check_closed(CountState(count.state))
    lines = lines_of(count)
    differences = differences_of(lines, scope)
    sample = [difference for difference in differences if difference.item.sampled]
    standing = [each for each in sample if each.item.decision != Decision.DISMISSED]
    finds = [line for line in lines if not line.sampled]
    return Variance(
        differences,
        _outcome_of(count, sample, 0),
        _outcome_of(count, standing, len(sample) - len(standing)),
        len(finds),
        sum(line.result == Result.AGREES for line in finds),
    )


def _outcome_of(count: Count, wrong: Sequence[Difference], dismissed: int) -> Outcome:
    unseen = sum(difference.kind is DifferenceKind.NOT_COUNTED for difference in wrong)
    found = (count.sample_size, len(wrong), unseen, dismissed)
    return outcome(count.lot_size, *found, count.acceptance_number, count.confidence_hundredths)


def differences_of(lines: Sequence[CountItem], scope: Scope = EVERYTHING) -> list[Difference]:
    """Return the differences among the lines of a count, in their order.

    Where a device is by now is told of those alone that answer to the scope's depots today.

    A device that was drawn and seen elsewhere is one difference, not two.
    """
    finds: dict[UUID | None, CountItem] = {
        line.device_id: line for line in lines if not line.sampled and line.device_id
    }
    absent_ids = {line.device_id for line in lines if line.sampled and line.result in NOT_SEEN_THERE}
    found: list[tuple[CountItem, DifferenceKind, CountItem | None]] = []
    for line in lines:
        if not line.sampled and line.device_id in absent_ids:
            continue
        seen = finds.get(line.device_id) if line.sampled else None
        kind = difference_kind(Result(line.result), seen_elsewhere=seen is not None)
        if kind is not None:
            found.append((line, kind, seen))
    # Those merged or rejected meanwhile have no history any more.
    devices = Device.objects.filter(pk__in={line.device_id for line, _, _ in found}, standing__in=LIVE)
    now: dict[UUID | None, str] = {
        at.device.pk: at.words
        for at in devices_as_known(devices, present())
        if scope.everywhere or _answering(at) in scope.depots
    }
    decided = {line.revised_id for line, _, _ in found if line.decision}
    reasons = dict(Entry.objects.filter(pk__in=decided).values_list("index", "reason")) if decided else {}
    return [
        Difference(line, kind, seen, now.get(line.device_id, ""), reasons.get(line.revised_id, ""))
        for line, kind, seen in found
    ]


def difference_now(item_id: UUID, scope: Scope) -> Difference:
    """Return one difference of a closed count; raises RuleBroken NOT_FOUND for any other line."""
    item = CountItem.objects.filter(pk=item_id, count__in=counts_in(scope), count__state=CountState.CLOSED)
    for line in item.select_related("count"):
        for difference in differences_of(lines_of(line.count), scope):
            if difference.item.pk == item_id:
                return difference
    raise absent("difference")


def counted_at(lines: Iterable[CountItem], holder: UUID) -> datetime:
    """Return when a place was counted: the last time at which somebody looked there."""
    return max(
        line.seen_at
        for line in lines
        if line.holder_id == holder and line.seen_at is not None and line.result != Result.NOT_COUNTED
    )


# --- the draw, once more -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Redraw:
    """The draw made again from the register as it was known: whether list and sample are the same."""

    sizes: Mapping[str, int]
    allocation: Mapping[str, int]
    same_list: bool
    same_sample: bool


def lot_of(count: Count) -> Lot:
    """Return the list of a count, made again from the register as it was known when it was frozen."""
    moment = Moment(count.frozen_at, count.frozen_index, False)
    places = [DevicePlace(place) for place in count.places.split()]
    return frozen_lot(moment, count.depot_id, places, Strata(count.strata))


def redraw(count: Count) -> Redraw:
    """Draw again from the list of a count, made again."""
    lot = lot_of(count)
    sample = plan_sample(question_of(count), lot.sizes)
    drawn = {(name, at.device.pk) for name, at in lot.drawn(sample, count.seed)}
    kept = set(CountItem.objects.filter(count=count, sampled=True).values_list("stratum", "device"))
    return Redraw(lot.sizes, sample.allocation, lot.sha256() == count.lot_sha256, drawn == kept)
