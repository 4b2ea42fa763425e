"""Courses to fill stores with: the rows of one that the service recorded, cast again and again.

Each further course has ids, a patient and days of its own. What the bodies say stays that of the first course: a search
compares columns and serves bodies, so both do the same work as with readings of their own.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, NamedTuple

_UUID = re.compile(rb"([0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-)([0-9a-f]{12})")
_HOUR = 3_600_000_000
_DATES = ("date_low", "date_high", "other_date_low", "other_date_high")
_FAR = 2**62  # dates beyond are open ends
Row = dict[str, Any]
Tails = Mapping[bytes, bytes]


class Cut:
    """A text cut at its ids, to be put together with others: ten times as fast as a search for them in each cast."""

    def __init__(self, text: bytes) -> None:
        parts = _UUID.split(text)  # what is between, the head of an id, its tail, what is between ...
        self.tails = parts[2::3]
        self._pieces = [b""] * (2 * len(self.tails) + 1)
        self._pieces[::2] = [between + head for between, head in zip(parts[::3], [*parts[1::3], b""], strict=True)]

    def cast(self, tails: Tails) -> bytes:
        """The text with other tails."""
        self._pieces[1::2] = [tails[tail] for tail in self.tails]
        return b"".join(self._pieces)


class CastRow(NamedTuple):
    """The row of a resource and those of its identifiers; all still have the `arrival` of the mold."""

    resource: Row
    identifiers: Sequence[Row]


class Mold:
    """One recorded course: its row, those of its resources in order of arrival, and their identifiers."""

    def __init__(self, course: Row, resources: Sequence[Row], identifiers: Sequence[Row]) -> None:
        self.course = course
        self._resources = sorted(resources, key=lambda row: row["arrival"])
        self._identifiers: dict[tuple[str, int], list[Row]] = {}
        for row in identifiers:
            self._identifiers.setdefault((row["type"], row["arrival"]), []).append(row)
        self._patient = Cut(course["patient_id"].encode())
        self._cuts = [tuple(Cut(_bytes(row[name])) for name in _WITH_IDS) for row in self._resources]
        self._tails = {tail for cuts in self._cuts for cut in cuts for tail in cut.tails}

    def __len__(self) -> int:
        return len(self._resources)

    def patient(self, number: int) -> str:
        """Id of the Patient of a cast; 0 is the recorded course itself."""
        return self._patient.cast(self._tails_of(number)).decode()

    def course_of(self, number: int) -> Row:
        """The row of the course of cast 1, 2, 3 ..."""
        return self.course | {"course_id": self._name(number), "patient_id": self.patient(number)}

    def writes_of(self, number: int) -> list[list[CastRow]]:
        """The rows of its resources, one list for each entry."""
        rows = groupby(self._rows(number), key=lambda row: row.resource["entry_id"])
        return [list(of_entry) for _, of_entry in rows]

    def _rows(self, number: int) -> Iterator[CastRow]:
        tails, name = self._tails_of(number), self._name(number)
        for row, cuts in zip(self._resources, self._cuts, strict=True):
            id_, patient, terms, body = (cut.cast(tails) for cut in cuts)
            resource = {
                **row,
                **{each: row[each] + number * _HOUR for each in _DATES if abs(row[each]) < _FAR},
                "id": id_.decode(),
                "patient": patient.decode(),
                "course_id": row["course_id"] and name,
                "terms": terms.decode(),
                "body": body,
            }
            own = self._identifiers.get((row["type"], row["arrival"]), ())
            yield CastRow(resource, [each | {"value": f"{number}/{each['value']}"} for each in own])

    def _name(self, number: int) -> str:
        return f"{self.course['course_id']}-{number}"

    def _tails_of(self, number: int) -> Tails:
        return {tail: b"%012x" % (int(tail, 16) ^ number) for tail in self._tails}


_WITH_IDS = ("id", "patient", "terms", "body")


def _bytes(value: str | bytes) -> bytes:
    return value.encode() if isinstance(value, str) else value
