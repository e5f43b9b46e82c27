"""Times as people in the console type and read them: local, in a named zone, never bare."""

import re
from datetime import UTC, datetime, timedelta, tzinfo

from registry.queries.changes import show_time
from registry.rules.errors import Code, RuleBroken

_TYPED = re.compile(
    r"(?P<local>\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d)?)\s*(?P<zone>Z|[A-Za-z]{2,5}|[+-]\d\d(:?\d\d)?)?"
)
_TOLD = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(\.\d+)?[+]00:00")
_OFFSET = re.compile(r"(?P<sign>[+-])(?P<hours>\d\d):?(?P<minutes>\d\d)?")
YEAR_MIN, YEAR_MAX = 1900, 9000  # far enough from where calendars end, in any zone
SHAPE = "2026-03-02 08:00"  # as the pages themselves show a time


def type_time(moment: datetime, zone: tzinfo) -> str:
    """Return a time as somebody would type it into a field of that zone."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def read_time(typed: str, zone: tzinfo, field: str) -> datetime:
    """Return the instant of a local time of a zone.

    An abbreviation (EST) or an offset (-05:00) may follow it, as the pages show times. Raises RuleBroken
    TIME_INVALID for what is no time, for one that the clocks jumped over, and for one that came twice
    without saying which of the two.
    """
    match = _TYPED.fullmatch(typed.strip())
    if match is None:
        raise _refuse(field, f"This is no time. Write it as {SHAPE}.")
    try:
        local = datetime.fromisoformat(match["local"])
    except ValueError:
        raise _refuse(field, f"There is no such day or hour. Write it as {SHAPE}.") from None
    if not YEAR_MIN <= local.year <= YEAR_MAX:
        raise _refuse(field, f"That year is beyond the calendar. Choose one from {YEAR_MIN} to {YEAR_MAX}.")
    suffix = (match["zone"] or "").upper()
    return _with_suffix(local, suffix, zone, field) if suffix else _plain(local, zone, field)


def retold(words: str, zone: tzinfo) -> str:
    """Return the words of a refusal with its times, which the rules tell in UTC, told in a zone."""

    def told(match: re.Match[str]) -> str:
        return show_time(datetime.fromisoformat(match[0]), zone)

    return _TOLD.sub(told, words)


def _plain(local: datetime, zone: tzinfo, field: str) -> datetime:
    early, late = _instants(local, zone)
    if not early and not late:
        raise _refuse(
            field, "The clocks jumped over this time when summer time began. Choose one before or after it."
        )
    if early and late and early != late:
        names = [f"{moment.astimezone(zone):%Z}" for moment in (early, late)]
        raise _refuse(
            field,
            "This time came twice, because the clocks were put back."
            f" Write {names[0]} behind it for the first, {names[1]} for the second.",
        )
    [moment, *_] = [instant for instant in (early, late) if instant]
    return moment


def _with_suffix(local: datetime, suffix: str, zone: tzinfo, field: str) -> datetime:
    if suffix in ("Z", "UTC"):
        return local.replace(tzinfo=UTC)
    for moment in _instants(local, zone):
        if moment and suffix == f"{moment.astimezone(zone):%Z}".upper():
            return moment
    offset = _OFFSET.fullmatch(suffix)
    if offset is None:
        raise _refuse(field, f"{suffix} is not said there then. Leave it out, or write an offset as -05:00.")
    ahead = timedelta(hours=int(offset["hours"]), minutes=int(offset["minutes"] or 0))
    if ahead >= timedelta(hours=24):
        raise _refuse(field, "No place is a day ahead. Write the offset as -05:00.")
    return (local - ahead if offset["sign"] == "+" else local + ahead).replace(tzinfo=UTC)


def _instants(local: datetime, zone: tzinfo) -> list[datetime | None]:
    """Return the first and the second instant at which clocks showed a time, None for one that never was."""
    found: list[datetime | None] = []
    for fold in (0, 1):
        moment = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        shown = moment.astimezone(zone).replace(tzinfo=None)
        found.append(moment if shown == local else None)
    return found


def _refuse(field: str, why: str) -> RuleBroken:
    return RuleBroken(Code.TIME_INVALID, why, field=field)
