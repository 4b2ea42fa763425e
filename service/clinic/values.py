"""Values of a reading: how each is written, and the marks beside a type that say what a member takes.

What a member takes is said by its type: Decimal and int are numbers of JSON, datetime and date are texts. Beside it may
stand bounds (`Between`, `UpTo`, `Rows`), and for a text the function that accepts it. `service.intake` reads by them.
"""

import re
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any

from msgspec import Struct

RFC3339 = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt](\d{2}:\d{2}:\d{2})(\.\d+)?([Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)", re.ASCII
)
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
ABSOLUTE_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:[^\s<>\"{}|\\^`\x00-\x20]+")
CALENDAR_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


class NotRead(ValueError):
    """A value that is not what its member takes; `sort` is a word for programs, the text one for people."""

    def __init__(self, sort: str, why: str) -> None:
        """Keep the sort and say why."""
        super().__init__(why)
        self.sort = sort


def read_time(value: Any) -> datetime:
    """An RFC 3339 time with seconds and offset as an aware datetime; the offset is kept as charted."""
    if isinstance(value, datetime):
        return value
    match = RFC3339.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise NotRead("time", "must be an RFC 3339 time with seconds and a UTC offset")
    day, clock, fraction, offset = match.groups()
    microseconds = (fraction or ".0")[:7]
    try:
        read = datetime.fromisoformat(f"{day}T{clock}{microseconds}{offset.upper().replace('Z', '+00:00')}")
    except ValueError as fault:
        raise NotRead("time", "is not a time of the calendar and clock") from fault
    if not date.min.year < read.year < date.max.year:  # in another zone it could lie where no calendar reaches
        raise NotRead("time", "lies in the first or the last year that can be written")
    return read


def read_day(value: Any) -> date:
    """A day written YYYY-MM-DD."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not CALENDAR_DAY.fullmatch(value):
        raise NotRead("day", "must be a day written YYYY-MM-DD")
    try:
        return date.fromisoformat(value)
    except ValueError as fault:
        raise NotRead("day", "is not a day of the calendar") from fault


def read_number(value: Any) -> Decimal:
    """A JSON number as the decimal that was written; text and true/false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise NotRead("number", "must be a number")
    return Decimal(value)


def read_integer(value: Any) -> int:
    """A JSON number without a fraction; 20.0 is 20."""
    number = read_number(value)
    if number != number.to_integral_value():
        raise NotRead("integer", "must be a whole number")
    return int(number)


def plain_text(value: str) -> str:
    """A text for people."""
    if not value.strip():
        raise NotRead("blank", "must not be blank")
    if CONTROL.search(value):
        raise NotRead("control", "must not hold control characters other than newline and tab")
    return value


def absolute_uri(value: str) -> str:
    """The URI of a naming system."""
    if not ABSOLUTE_URI.fullmatch(value):
        raise NotRead("uri", "must be an absolute URI")
    return value


def id_text(value: str) -> str:
    """An id as FHIR has them: up to 64 letters, digits, hyphens and dots."""
    if not ID.fullmatch(value):
        raise NotRead("id", "must be 1 to 64 letters, digits, hyphens or dots")
    return value


class Between(Struct, frozen=True):
    """A number from `low` to `high`, both included."""

    low: int
    high: int


class UpTo(Struct, frozen=True):
    """At most so many characters."""

    longest: int


class Rows(Struct, frozen=True):
    """A list of at least and at most so many."""

    least: int
    most: int | None = None


Number = Decimal
Whole = int
Instant = datetime
Day = date
Truth = bool
Text = Annotated[str, plain_text]
Uri = Annotated[str, absolute_uri]
Id = Annotated[str, id_text]
Station = Annotated[Number, Between(0, 1000)]
