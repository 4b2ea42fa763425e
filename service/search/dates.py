"""Dates as FHIR R4 searches them: every date is a range whose width is its precision.

Source: https://hl7.org/fhir/R4/search.html#date and #prefix. Ranges are half open, in whole microseconds since
1970-01-01T00:00:00Z. Calendar arithmetic is done on day numbers, so that the year 9999 has an end.
"""

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Literal, NamedTuple, cast

Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]

NO_DATE = -(2**63)  # a resource without the date; sorts before every date and matches no search
OPEN_LOW = NO_DATE + 1  # a Period without a start
OPEN_HIGH = 2**63 - 1  # a Period without an end

_SECOND = 1_000_000
_DAY = 86_400 * _SECOND
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_FORM = re.compile(
    r"(?P<year>\d{4})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d)"
    r"(?:T(?P<hour>\d\d):(?P<minute>\d\d)(?::(?P<second>\d\d)(?P<fraction>\.\d+)?)?"
    r"(?P<offset>Z|[+-]\d\d:\d\d)?)?)?)?",
    re.ASCII,
)
_PREFIXED = re.compile(r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?(?P<date>\d.*)", re.DOTALL)
_LOST_PLUS = re.compile(r"(T[\d:.]+) (\d\d:\d\d)")


class DateRange(NamedTuple):
    """From `low` up to, not including, `high`, in microseconds since 1970 UTC."""

    low: int
    high: int


class DateBound(NamedTuple):
    """What a client asked of a date: a prefix and the range that its value stands for."""

    prefix: Prefix
    low: int
    high: int

    def holds(self, target: DateRange) -> bool:
        """Whether `target` answers the search, by the table of prefixes in R4 (search.html#prefix)."""
        return target.low != NO_DATE and _HOLDS[self.prefix](self, target)


_HOLDS: Mapping[Prefix, Callable[["DateBound", DateRange], bool]] = {
    "eq": lambda s, t: s.low <= t.low and t.high <= s.high,
    "ne": lambda s, t: not (s.low <= t.low and t.high <= s.high),
    "gt": lambda s, t: t.high > s.high,
    "lt": lambda s, t: t.low < s.low,
    "ge": lambda s, t: t.high > s.high or (s.low <= t.low and t.high <= s.high),
    "le": lambda s, t: t.low < s.low or (s.low <= t.low and t.high <= s.high),
    "sa": lambda s, t: t.low >= s.high,
    "eb": lambda s, t: t.high <= s.low,
    "ap": lambda s, t: t.low < s.high and t.high > s.low,
}


@lru_cache(maxsize=8192)
def date_range(text: str, zone: tzinfo) -> DateRange:
    """Range of a FHIR date, dateTime or instant; `zone` is used where the text carries no offset.

    A local time that a change of the clocks lets happen twice stands for both, from the first to the end of the
    second. ValueError when the text is no such date: hours without minutes, 30 February, 24:00, year 0000.
    """
    form = _FORM.fullmatch(text)
    if not form:
        raise ValueError("not a date of FHIR R4")
    year, month, day = int(form["year"]), form["month"], form["day"]
    if form["hour"] is not None:
        return _time_range(date(year, int(month), int(day)), form, zone)
    first = date(year, int(month or 1), int(day or 1)).toordinal()
    if day:
        after = first + 1
    elif month:
        after = _month_start(year, int(month) + 1)
    else:
        after = _month_start(year, 13)
    return DateRange(_midnight(first, zone), _midnight(after, zone))


def date_bound(text: str, zone: tzinfo, now: datetime) -> DateBound:
    """What `[prefix]date` asks for. `ap` is widened by a tenth of its distance from `now` on both sides.

    A plus sign that a client left unescaped arrives as a blank and is taken as the plus it was. ValueError as
    for date_range.
    """
    form = _PREFIXED.fullmatch(text)
    if not form:
        raise ValueError("not a date of FHIR R4")
    low, high = date_range(_LOST_PLUS.sub(r"\1+\2", form["date"]), zone)
    prefix = cast(Prefix, form["prefix"] or "eq")  # the expression admits no other
    if prefix == "ap":
        at = microseconds(now)
        slack = max(at - high, low - at, 0) // 10
        low, high = low - slack, high + slack
    return DateBound(prefix, low, high)


def microseconds(at: datetime) -> int:
    """Microseconds since 1970 UTC of a time with an offset."""
    offset = at.utcoffset()
    if offset is None:
        raise ValueError("a time needs its offset")
    return (at.replace(tzinfo=None) - offset - _EPOCH) // _MICROSECOND


@lru_cache(maxsize=256)
def instant(at_us: int) -> str:
    """FHIR instant in UTC with milliseconds, from microseconds since 1970."""
    at = _EPOCH + timedelta(microseconds=at_us)
    return at.isoformat(timespec="milliseconds") + "Z"


_EPOCH = datetime(1970, 1, 1)
_MICROSECOND = timedelta(microseconds=1)


def _month_start(year: int, month: int) -> int:
    """Day number of a month's first day; month 13 is the next January, the one of the year 10000 too."""
    return date(year, month, 1).toordinal() if month <= 12 else date(year, 12, 31).toordinal() + 1


def _midnight(day: int, zone: tzinfo) -> int:
    """Start of a local day; at the ends of the calendar, where no zone has rules, the day of UTC."""
    start = (day - _EPOCH_DAY) * _DAY
    if 2 <= day < date.max.toordinal():
        start -= _offset(datetime.fromordinal(day), zone)
    return start


def _offset(local: datetime, zone: tzinfo) -> int:
    return (local.replace(tzinfo=zone).utcoffset() or timedelta()) // _MICROSECOND


def _time_range(day: date, form: re.Match[str], zone: tzinfo) -> DateRange:
    hour, minute, second = int(form["hour"]), int(form["minute"]), int(form["second"] or 0)
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError("no such time of day")
    start = (day.toordinal() - _EPOCH_DAY) * _DAY + ((hour * 60 + minute) * 60 + second) * _SECOND
    digits = (form["fraction"] or ".")[1:7]
    start += int(digits.ljust(6, "0"))
    width = 10 ** (6 - len(digits)) if form["second"] else 60 * _SECOND
    if form["offset"]:
        start -= _written_offset(form["offset"])
        return DateRange(start, start + width)
    local = _EPOCH + timedelta(microseconds=start)
    first, second_time = _offset(local, zone), _offset(local.replace(fold=1), zone)
    # After a change back the second offset is the smaller one; when the clocks go forward it is larger: a time that
    # never was, read with the offset before the change.
    return DateRange(start - first, start - min(first, second_time) + width)


def _written_offset(text: str) -> int:
    """Microseconds of `Z` or `+hh:mm`; up to 14 hours, as FHIR's expression allows."""
    if text == "Z":
        return 0
    hours, minutes = int(text[1:3]), int(text[4:6])
    if minutes > 59 or hours * 60 + minutes > 14 * 60:
        raise ValueError("no such offset")
    return (-1 if text[0] == "-" else 1) * (hours * 60 + minutes) * 60 * _SECOND
