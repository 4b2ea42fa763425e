"""Dates without the day: the year alone, or the whole course of a patient moved, intervals kept.

Source of the year and of the age limit: 45 CFR 164.514(b)(2)(i)(C).
"""

import re
from datetime import UTC, date, datetime, timedelta

OLDEST_SHOWN = 89  # years; above, neither age nor year of birth is shown
_YEAR = re.compile(r"\d{4}")
_MONTH = re.compile(r"\d{4}-\d{2}")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


def year_of(text: str) -> str | None:
    """The year of a FHIR date, dateTime or instant; None for a text that does not begin with one."""
    found = _YEAR.match(text)
    return found[0] if found else None


def shifted(text: str, days: int) -> str | None:
    """A FHIR date, dateTime or instant moved by whole days, as precise as it was; None where it cannot be moved.

    Times leave in UTC: an offset would tell a zone, and with the hour of a clock change the season.
    """
    try:
        if _DAY.fullmatch(text):
            return (date.fromisoformat(text) + timedelta(days=days)).isoformat()
        if _MONTH.fullmatch(text):
            return (date.fromisoformat(f"{text}-15") + timedelta(days=days)).isoformat()[:7]
        if _YEAR.fullmatch(text):
            return (date.fromisoformat(f"{text}-07-01") + timedelta(days=days)).isoformat()[:4]
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            return None
        return (moment.astimezone(UTC) + timedelta(days=days)).isoformat().replace("+00:00", "Z")
    except (ValueError, OverflowError):
        return None


def birth_year(text: str, now: datetime, days: int = 0) -> str | None:
    """Year of birth, moved by `days`; None for who may be 90 or older at `now`, and for what is no date.

    Of a date without month or day the earliest day counts, so that nobody is taken for younger than he may be.
    """
    try:
        born = date.fromisoformat(f"{text}-01-01"[:10] if _YEAR.fullmatch(text) else f"{text}-01"[:10])
        published = (born + timedelta(days=days)).isoformat()[:4]
    except (ValueError, OverflowError):
        return None
    return published if age_at(born, now) <= OLDEST_SHOWN else None


def age_at(born: date, now: datetime) -> int:
    """Completed years of life at an instant, by the calendar of UTC one day ahead: no zone of the earth is later."""
    today = (now.astimezone(UTC) + timedelta(days=1)).date()
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))
