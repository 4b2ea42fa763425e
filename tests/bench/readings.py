"""Courses to measure with: seeded, of the shape that the bedside gives. People and places are invented."""

import random
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from service import strict_json
from service.clinic.entries import Course
from service.clinic.standing import Charted
from service.intake.members import read_course, read_entry

NOW = datetime(2026, 12, 1, tzinfo=UTC)
OPENED = datetime(2026, 3, 2, 8, tzinfo=UTC)
FIRST_HOURS = 3
EVERY_HOURS = 6  # between checks
PERFORMER = {"identifier": {"system": "https://alder-bay.example/staff", "value": "s-1"}}
STATIONS = 7
BANDS = 11
_NARROWEST_MM = 2.0  # the longest course would close, and go on, otherwise
Tree = dict[str, Any]


def _at(hours: float) -> str:
    return (OPENED + timedelta(hours=hours)).isoformat()


class Ward:
    """Makes the document of one course: an installation, then checks at equal times, closing slowly."""

    def __init__(self, course_id: str, bands: int = BANDS, stations: int = STATIONS, seed: int = 1) -> None:
        self.course_id = course_id
        self.bands = bands
        self._random = random.Random(f"{seed}/{course_id}")
        self._apart = min(12, 1000 // (bands + 2))  # the intake takes wounds of up to a metre
        self._length = self._apart * (bands + 2)
        step = self._length // (stations + 1)
        self._stations = range(step, step * stations + 1, step)

    def course(self) -> Tree:
        wound = {"cause": "fasciotomy", "body_site": "lower-leg", "laterality": "left"}
        return {
            "course_id": self.course_id,
            "patient": {"identifier": {"system": "https://alder-bay.example/mrn", "value": self.course_id}},
            "wound": wound | {"length_mm": self._length, "reference_end": "proximal"},
            "opened_at": _at(0),
        }

    def installation(self) -> Tree:
        numbers, apart = range(1, self.bands + 1), self._apart
        return {
            "kind": "installation", "entry_id": "in-1", "at": _at(FIRST_HOURS), "performer": PERFORMER,
            "anchors_per_side": min(100, self.bands + 2), "anchor_interval_mm": apart, "setback_mm": 12,
            "bands": [
                {"band": n, "station_mm": apart * n, "rest_mark_mm": 10, "mark_mm": 18, "tail_mm": 80} for n in numbers
            ],
            "gaps": self._gaps(60),
        }  # fmt: skip

    def check(self, number: int) -> Tree:
        hours = FIRST_HOURS + EVERY_HOURS * (number + 1)
        marks = [Decimal(self._random.randrange(30, 38)) / 2 for _ in range(self.bands)]
        return {
            "kind": "check", "entry_id": f"ch-{number}", "at": _at(hours), "performer": PERFORMER,
            "device_status": "in-place", "gaps": self._gaps(60 * 0.99**number),
            "bands": [{"band": n, "mark_mm": mark} for n, mark in enumerate(marks, 1)],
        }  # fmt: skip

    def late_check(self) -> Tree:
        """A check between the installation and all others, charted after them."""
        return self.check(0) | {"entry_id": "late", "at": _at(FIRST_HOURS + 1)}

    def document(self, checks: int) -> Tree:
        return {"course": self.course(), "entries": [self.installation(), *(self.check(n) for n in range(checks))]}

    def _gaps(self, widest: float) -> list[Tree]:
        middle = self._length / 2
        shape = ((s, 1 - abs(s - middle) / self._length) for s in self._stations)
        noise = self._random.uniform
        widths = ((s, max(_NARROWEST_MM, widest * part + noise(-1, 1))) for s, part in shape)
        return [{"station_mm": s, "gap_mm": Decimal(f"{width:.1f}")} for s, width in widths]


def as_read(sent: Any) -> Any:
    """The same as it comes out of the bytes of a request."""
    return strict_json.read(strict_json.write(sent), largest=64 * 1024 * 1024)


def course_of(sent: Tree) -> Course:
    """The course of a document that has no fault."""
    found = read_course(sent["course"])
    assert not isinstance(found, list), found
    return found


def charted_of(sent: Tree) -> list[Charted]:
    """The entries of a document that has no fault, in the order in which they came."""
    charted = []
    for place, entry in enumerate(sent["entries"], 1):
        found = read_entry(entry)
        assert not isinstance(found, list), found
        charted.append(Charted(found, place))
    return charted
