r"""Segments, fields and escapes of HL7 v2 in its usual ("vertical bar") form. Chapter 2 of v2.5.1, from memory.

Delimiters are the recommended ones: field `|`, component `^`, repetition `~`, escape `\`, subcomponent `&`. A segment
ends with a carriage return. Text is escaped where it enters, so that no delimiter is ever written by a reading.
"""

import re
from collections.abc import Iterable, Sequence

END = "\r"
ENCODING_CHARACTERS = "^~\\&"
_ESCAPES = {"|": "\\F\\", "^": "\\S\\", "~": "\\R\\", "&": "\\T\\", "\\": "\\E\\"}
_TO_ESCAPE = re.compile(r"[|^~&\\\x00-\x1f\x7f-\x9f]")
_LINE_BREAK = re.compile(r"\r\n|\r|\n")
_MOMENT = re.compile(
    r"(?P<date>\d{4}(?:-\d\d(?:-\d\d)?)?)"
    r"(?:T(?P<time>\d\d:\d\d:\d\d)(?P<fraction>\.\d{1,9})?(?P<zone>Z|[+-]\d\d:\d\d))?"
)


def escaped(text: str) -> str:
    r"""Text as it may stand in a field: delimiters by name, control characters in hexadecimal (`\X0B\`)."""
    return _TO_ESCAPE.sub(_escape, text)


def _escape(found: re.Match[str]) -> str:
    char = found[0]
    return _ESCAPES.get(char) or f"\\X{char.encode().hex().upper()}\\"


def components(*parts: str) -> str:
    """Components of a field, escaped already; empty ones at the end are left out."""
    return "^".join(parts).rstrip("^")


def subcomponents(*parts: str) -> str:
    """Subcomponents of a component, escaped already; empty ones at the end are left out."""
    return "&".join(parts).rstrip("&")


def repetitions(values: Iterable[str]) -> str:
    """The repetitions of a field."""
    return "~".join(values)


def segment(name: str, fields: dict[int, str]) -> str:
    """A segment by the numbers of its fields; those that are not given are empty."""
    last = max(fields)
    return "|".join([name, *(fields.get(number, "") for number in range(1, last + 1))]).rstrip("|")


def header(fields: dict[int, str]) -> str:
    """MSH, whose first two fields are the delimiters themselves."""
    rest = [fields.get(number, "") for number in range(3, max(fields) + 1)]
    return "|".join(["MSH", ENCODING_CHARACTERS, *rest])


def message(segments: Sequence[str]) -> bytes:
    """The segments as sent."""
    return "".join(f"{each}{END}" for each in segments).encode()


def lines_of(text: str) -> list[str]:
    """The lines of a text, each to become a segment of its own."""
    return _LINE_BREAK.split(text)


def moment(text: str) -> str:
    """A FHIR date, dateTime or instant as TS: `20250306160000+0100`, no more precise than it was. ValueError if none.

    A fraction of a second is cut to the four digits that TS has.
    """
    found = _MOMENT.fullmatch(text)
    if not found:
        raise ValueError("no date or time of FHIR")
    date = found["date"].replace("-", "")
    if found["time"] is None:
        return date
    zone = "+0000" if found["zone"] == "Z" else found["zone"].replace(":", "")
    return f"{date}{found['time'].replace(':', '')}{(found['fraction'] or '')[:5]}{zone}"
