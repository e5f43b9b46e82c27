"""A device's chain of whereabouts as a picture: a lane a kind of holder, a bar a stretch, true to time."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from registry.queries.traces import Chain
from registry.rules.periods import Period
from registry.rules.traces import Finding, FindingCode
from registry.rules.whereabouts import DevicePlace

# Heights in pixels; what lies left to right is in percent, so that the picture fits any width undistorted.
LANE_HEIGHT, BAR_HEIGHT, NAME_HEIGHT, AXIS_HEIGHT = 40, 18, 16, 22
BAR_WIDTH_MIN = 0.6  # percent: what was short is seen all the same
NUMBERED_WIDTH_MIN = 5  # percent: a narrower bar holds no number
EDGE = 8  # percent from either end within which the name of a day is written inwards
TICKS_MAX = 6
DAY_STEPS = (1, 2, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
SHORTEST = timedelta(hours=1)
DAYS_OF_DAYS_MAX = 75  # what is longer is told in months

# From above to below; a lane that nothing stands in is left out.
LANES = (
    (DevicePlace.DEPOT, "In a depot"),
    (DevicePlace.VAN, "In a van"),
    (DevicePlace.CABINET, "In a cabinet"),
    (DevicePlace.MAKER, "At its maker"),
    (DevicePlace.LOST, "Nobody knows where"),
    (DevicePlace.RETIRED, "Retired"),
)
FINDINGS = "Findings"


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar from `left`, `width` wide, in percent; `kind` is the class that colours it."""

    left: str
    width: str
    kind: str
    number: str
    words: str


@dataclass(frozen=True, slots=True)
class Lane:
    """A row of bars under its name; `moves` are where a cabinet went elsewhere, in percent."""

    name: str
    name_top: int
    bar_top: int
    bars: tuple[Bar, ...]
    moves: tuple[str, ...] = ()

    @property
    def number_top(self) -> int:
        """Where the numbers in the bars stand."""
        return self.bar_top + BAR_HEIGHT - 5

    @property
    def bar_end(self) -> int:
        """Where the bars end below."""
        return self.bar_top + BAR_HEIGHT


@dataclass(frozen=True, slots=True)
class Tick:
    """A day or month on the axis, in percent, and to which side of it its name is written."""

    left: str
    name: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Picture:
    """The lanes of a chain over one axis of time."""

    lanes: tuple[Lane, ...]
    ticks: tuple[Tick, ...]
    begin: datetime
    end: datetime

    bar_height = BAR_HEIGHT

    @property
    def axis_top(self) -> int:
        """Where the axis lies."""
        return LANE_HEIGHT * len(self.lanes) + 4

    @property
    def names_top(self) -> int:
        """Where the names of days and months stand."""
        return self.axis_top + 16

    @property
    def height(self) -> int:
        """The height of the picture."""
        return self.axis_top + AXIS_HEIGHT

    @property
    def words(self) -> str:
        """What there is to see, in words."""
        told = [f"{lane.name.lower()}: {len(lane.bars)}" for lane in self.lanes]
        return f"Bars over time. {', '.join(told)}. The table tells the same."


def picture_of(chain: Chain, until: datetime, zone: tzinfo) -> Picture:
    """Return the picture of a chain that holds something, up to a moment at which it still runs."""
    begin = chain.stays[0].period.valid_from
    end = max(until, chain.stays[-1].period.valid_from, begin + SHORTEST)
    axis = _Axis(begin, end)
    bars: dict[DevicePlace, list[Bar]] = {}
    moves: dict[DevicePlace, list[str]] = {}
    for number, link in enumerate(chain.stays, start=1):
        place = DevicePlace(link.place.place)
        bars.setdefault(place, []).append(
            axis.bar(link.period, place, str(number), f"{number}: {link.words}")
        )
        moves.setdefault(place, []).extend(axis.at(stood.period.valid_from) for stood in link.stood[1:])
    for finding in chain.findings:
        if finding.code is FindingCode.WHEREABOUTS_UNKNOWN:
            bars.setdefault(DevicePlace.LOST, []).append(axis.of(finding, "unknown", ""))
    rows = [(name, bars[place], moves.get(place, [])) for place, name in LANES if place in bars]
    marked = [
        axis.of(finding, f"finding-{finding.kind}", f"F{number}")
        for number, finding in enumerate(chain.findings, start=1)
    ]
    rows += [(FINDINGS, marked, [])] if marked else []
    lanes = [
        Lane(
            name, row * LANE_HEIGHT + NAME_HEIGHT - 4, row * LANE_HEIGHT + NAME_HEIGHT, tuple(own), tuple(at)
        )
        for row, (name, own, at) in enumerate(rows)
    ]
    return Picture(tuple(lanes), tuple(axis.ticks(zone)), begin, end)


class _Axis:
    """Time from left to right."""

    def __init__(self, begin: datetime, end: datetime) -> None:
        self.begin, self.end = begin, end

    def at(self, moment: datetime) -> str:
        """Return where a moment lies."""
        return f"{self._share(moment):.2f}"

    def bar(self, period: Period, kind: str, number: str, words: str) -> Bar:
        """Return the bar of a period, seen even where that was short."""
        right = self._share(period.valid_to or self.end)
        width = max(right - self._share(period.valid_from), BAR_WIDTH_MIN)
        left = min(self._share(period.valid_from), 100 - width)
        return Bar(f"{left:.2f}", f"{width:.2f}", kind, number if width >= NUMBERED_WIDTH_MIN else "", words)

    def of(self, finding: Finding, kind: str, number: str) -> Bar:
        """Return the bar of a finding; one of an instant is as short as a bar can be."""
        until = finding.until if finding.until != finding.since else finding.since + timedelta(microseconds=1)
        return self.bar(Period(finding.since, until), kind, number, f"{number} {finding.words}".strip())

    def ticks(self, zone: tzinfo) -> Iterator[Tick]:
        """Yield the days or months that are named, a few."""
        first, last = self.begin.astimezone(zone).date(), self.end.astimezone(zone).date()
        form = "%m-%d" if (last - first).days <= DAYS_OF_DAYS_MAX else "%Y-%m"
        for day in _days(first, last):
            moment = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
            if self.begin <= moment <= self.end:
                share = self._share(moment)
                anchor = "start" if share < EDGE else "end" if share > 100 - EDGE else "middle"
                yield Tick(f"{share:.2f}", f"{day:{form}}", anchor)

    def _share(self, moment: datetime) -> float:
        share = (moment - self.begin) / (self.end - self.begin) * 100
        return min(max(share, 0.0), 100.0)


def _days(first: date, last: date) -> Iterator[date]:
    """Yield the days of an axis: every so many days, or the first of every so many months."""
    length = (last - first).days
    if length <= DAYS_OF_DAYS_MAX:
        step = _step(DAY_STEPS, length)
        yield from (first + timedelta(days=number) for number in range(0, length + 1, step))
        return
    months = (last.year - first.year) * 12 + last.month - first.month
    step = _step(MONTH_STEPS, months)
    begin = first.year * 12 + (first.month - 1) // step * step if step < 12 else first.year * 12
    for month in range(begin, begin + months + step + 1, step):
        yield date(month // 12, month % 12 + 1, 1)


def _step(steps: Sequence[int], length: int) -> int:
    return next((step for step in steps if length / step <= TICKS_MAX), steps[-1])
