"""A course of our own for the tests of the builders: invented patient, invented hospital, every kind of entry once.

A fasciotomy wound of the left lower leg, 20.0 cm long, three bands; an over-stretched band, an amendment, a retraction,
a removal with a dressing unaccounted for, found later, and primary closure. No real person, no real readings.
"""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from service.clinic.course import CourseFold, steps
from service.clinic.entries import Course
from service.clinic.force import BenchTable
from service.clinic.policy import default_policy
from service.clinic.standing import Charted, standing
from service.fhir import wire
from service.fhir.project import Built, Context, Frame, project_course, project_entry
from service.intake.members import read_course
from service.intake.review import entry_from
from service.terminology import load

TERMS = load()
POLICY = default_policy()
SITE = "east-wing"
FRAME = Frame(SITE, POLICY, TERMS, "0.1.0")
NOW = datetime.fromisoformat("2026-03-09T08:00:00+01:00")

COURSE: dict[str, Any] = {
    "course_id": "leg-7",
    "patient": {
        "identifier": {"system": "https://harbour-hospital.example/mrn", "value": "H-20417"},
        "family": "Marlow <b>",
        "given": ["Iris"],
        "birth_date": "1971-05-02",
        "gender": "female",
    },
    "encounter": {"identifier": {"system": "https://harbour-hospital.example/stay", "value": "S-99"}},
    "wound": {
        "cause": "fasciotomy",
        "body_site": "lower-leg",
        "laterality": "left",
        "length_mm": "200.0",
        "reference_end": "proximal",
        "description": "anterior & lateral compartment",
    },
    "opened_at": "2026-03-01T09:00:00+01:00",
}
NURSE = {"identifier": {"system": "https://harbour-hospital.example/staff", "value": "n-12"}, "display": "Nurse Okoro"}


def entry(kind: str, entry_id: str, at: str, **more: Any) -> dict[str, Any]:
    """One entry as charted; numbers as text stand for the digits that were read."""
    return {"kind": kind, "entry_id": entry_id, "at": at, "performer": NURSE, **more}


def gaps(*pairs: tuple[str, str]) -> list[dict[str, str]]:
    return [{"station_mm": station, "gap_mm": gap} for station, gap in pairs]


INSTALLATION = entry(
    "installation",
    "i1",
    "2026-03-01T10:00:00+01:00",
    anchors_per_side=21,
    anchor_interval_mm="10",
    setback_mm="12.0",
    undermined_mm="15",
    bands=[
        {"band": 1, "station_mm": "50", "rest_mark_mm": "10.0", "mark_mm": "17.0", "tail_mm": "80"},
        {"band": 2, "station_mm": "100.0", "rest_mark_mm": "10.0", "mark_mm": "19.0", "tail_mm": "75"},
        {"band": 3, "station_mm": "150", "rest_mark_mm": "10.0", "mark_mm": "17.5", "tail_mm": "82"},
    ],
    gaps=gaps(("50", "42.0"), ("100", "62.0"), ("150", "40.5")),
    dressings_placed=2,
)
CHECK_1 = entry(
    "check",
    "c1",
    "2026-03-02T08:30:00+01:00",
    device_status="in-place",
    gaps=gaps(("50", "36.0"), ("100", "31.0"), ("120.0", "30.50"), ("150", "33.0")),
    bands=[
        {"band": 1, "mark_mm": "14.0", "tail_mm": "80"},
        {"band": 2, "mark_mm": "20.5"},
    ],
    dressing={"changed": True, "covers_anchors": False, "placed": 2, "removed": 2, "smallest_side_mm": "100"},
    next_dressing_change_at="2026-03-03T08:00:00+01:00",
    vacuum_therapy_in_use=False,
    skin=["blanching", "blister"],
    pain_0_10=4,
    compartment_pressure_mmhg="45",
    diastolic_pressure_mmhg="70",
    mobilised=True,
    devices_present={"anchors": 42, "bands": 3},
    note="looks <pale> & cool",
)
RESET = entry(
    "reset",
    "r1",
    "2026-03-02T09:00:00+01:00",
    bands=[
        {"band": 1, "mark_mm_before": "14.0", "mark_mm_after": "17.5", "tail_mm": "90"},
        {"band": 2, "mark_mm_before": "20.5", "mark_mm_after": "19.0"},
        {"band": 3, "mark_mm_after": "17.5"},
    ],
)
CHECK_2 = entry(
    "check",
    "c2",
    "2026-03-03T08:30:00+01:00",
    device_status="in-place",
    gaps_not_measured="patient in the scanner",
    bands_not_read="patient in the scanner",
    skin=["intact"],
)
AMENDMENT = entry(
    "amendment",
    "a1",
    "2026-03-02T10:00:00+01:00",
    amends="c1",
    reason="band 2 misread, station 120 was never measured",
    entry={
        **CHECK_1,
        "gaps": gaps(("50", "36.0"), ("100", "51.0"), ("150", "33.0")),
        "bands": [{"band": 1, "mark_mm": "14.0", "tail_mm": "80"}, {"band": 2, "mark_mm": "19.5"}],
        "skin": ["blanching"],
    },
)
CHECK_3 = entry(
    "check",
    "c3",
    "2026-03-04T08:30:00+01:00",
    device_status="partly-in-place",
    gaps=gaps(("50", "30"), ("100", "40"), ("150", "28")),
    bands=[{"band": n, "mark_mm": "15.5"} for n in (1, 2, 3)],
)
RETRACTION = entry("retraction", "x1", "2026-03-04T09:00:00+01:00", retracts="c3", reason="another patient")
CHECK_4 = entry(
    "check",
    "c4",
    "2026-03-05T08:30:00+01:00",
    device_status="in-place",
    gaps=gaps(("50", "4"), ("100", "4.5"), ("150", "3")),
    bands=[{"band": n, "mark_mm": "15.5"} for n in (1, 2, 3)],
)
REMOVAL = entry(
    "removal",
    "m1",
    "2026-03-06T11:00:00+01:00",
    anchors_removed=42,
    bands_removed=3,
    dressings_removed=1,
    reason="closed",
)
RECONCILIATION = entry(
    "reconciliation",
    "k1",
    "2026-03-06T12:00:00+01:00",
    item="dressings",
    found=1,
    left_on_purpose=0,
    unaccounted_escalated=0,
    responsible={"identifier": {"system": "https://harbour-hospital.example/staff", "value": "s-3"}},
    reason="lay under the drape",
)
OUTCOME = entry(
    "outcome",
    "o1",
    "2026-03-06T14:00:00+01:00",
    result="primary-closure",
    closed_at="2026-03-06T13:30:00+01:00",
)
ALL = (
    INSTALLATION, CHECK_1, RESET, CHECK_2, AMENDMENT, CHECK_3, RETRACTION, CHECK_4, REMOVAL, RECONCILIATION, OUTCOME,
)  # fmt: skip
OPEN = (INSTALLATION, CHECK_1, RESET, CHECK_2)
NUMBER = re.compile(r'(_mm|_mmhg|_mm_before|_mm_after)":"([0-9.]+)"')


def as_charted(node: Any) -> Any:
    """Numbers written as text above become the JSON numbers that intake would have read."""
    text = wire.write({"node": node}).decode()
    return wire.read(NUMBER.sub(r'\1":\2', text).encode())["node"]


def course(**changes: Any) -> Course:
    read = read_course(as_charted({**COURSE, **changes}))
    assert isinstance(read, Course)
    return read


def projected(
    entries: Sequence[dict[str, Any]] = ALL,
    now: datetime = NOW,
    frame: Frame = FRAME,
    of: Course | None = None,
    bench: BenchTable | None = None,
) -> list[Built]:
    """Every resource of the course with these entries, in the order in which they arrived."""
    opened = of or course()
    stand = standing(charted(entries))
    context = Context(frame, opened, stand)
    built: list[Built] = []
    fold = CourseFold(opened, frame.policy, bench)
    for step in steps(opened, stand, frame.policy, bench):
        built += project_entry(context, step)
        if step.entry.retraction is None:
            fold = step.fold
    return built + project_course(context, opened, fold, now)


def charted(entries: Sequence[dict[str, Any]]) -> list[Charted]:
    """The entries as they arrived."""
    return [Charted(entry_from(as_charted(one)), place) for place, one in enumerate(entries)]


def context_for(entries: Sequence[dict[str, Any]] = ALL) -> Context:
    return Context(FRAME, course(), standing(charted(entries)))


def amended(original: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A correction of an entry some hours later."""
    at, name = "2026-03-08T10:00:00+01:00", original["entry_id"]
    return entry("amendment", f"fix-{name}", at, amends=name, reason="misread", entry={**original, **changes})


def retracted(original: dict[str, Any]) -> dict[str, Any]:
    """A retraction of an entry some hours later."""
    at, name = "2026-03-08T11:00:00+01:00", original["entry_id"]
    return entry("retraction", f"not-{name}", at, retracts=name, reason="another patient")


def find(built: Sequence[Built], role: str, entry_id: str | None = None) -> dict[str, Any]:
    """The one resource of that role."""
    found = [one.resource for one in built if one.role == role and one.entry_id == entry_id]
    assert len(found) == 1, f"{len(found)} of {entry_id}/{role}"
    return found[0]
