"""Times as typed: the site's wall clock, made an instant. A time that does not exist, or twice, is no guess."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from service.report.texts import _

TYPED = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?", re.ASCII)


class NoInstant(ValueError):
    """What was typed is not one instant; `twice` when the hour comes twice that night."""

    def __init__(self, detail: str, twice: bool = False) -> None:
        super().__init__(detail)
        self.twice = twice


def typed_instant(text: str, fold: str, zone: ZoneInfo) -> str:
    """RFC 3339 of a wall clock time in the zone. `fold`: "0" first, "1" second time. Raises NoInstant."""
    if not TYPED.fullmatch(text):
        raise NoInstant(_("must be a day and a time"))
    try:
        wall = datetime.fromisoformat(text)
    except ValueError as fault:
        raise NoInstant(_("is not a time of the calendar and clock")) from fault
    first, second = wall.replace(tzinfo=zone), wall.replace(tzinfo=zone, fold=1)
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall:
        raise NoInstant(_("does not exist: the clock goes forward that night"))
    if first.utcoffset() == second.utcoffset():
        return first.isoformat()
    if fold not in ("0", "1"):
        raise NoInstant(_("comes twice: the clock goes back that night. Say which"), twice=True)
    return (second if fold == "1" else first).isoformat()


def wall_clock(at: datetime, zone: ZoneInfo) -> str:
    """An instant as it would be typed, to the minute where it has no seconds."""
    local = at.astimezone(zone).replace(tzinfo=None)
    exact = local.second or local.microsecond
    return local.isoformat() if exact else local.isoformat(timespec="minutes")


def comes_twice(at: datetime, zone: ZoneInfo) -> str:
    """The fold of an instant whose hour comes twice, else empty."""
    local = at.astimezone(zone)
    return str(local.fold) if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset() else ""
