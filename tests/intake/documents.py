"""Small documents of an invented ward, as Python values like those the strict reader gives."""

from copy import deepcopy
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

NOW = datetime(2026, 3, 9, 12, 0, tzinfo=timezone(timedelta(hours=1)))
PERFORMER = {"identifier": {"system": "https://alder-bay.example/staff", "value": "s-118"}}


def course(**changes: Any) -> dict[str, Any]:
    return {
        "course_id": "alder-1",
        "patient": {"identifier": {"system": "https://alder-bay.example/mrn", "value": "AB-1"}},
        "wound": {
            "cause": "fasciotomy",
            "body_site": "lower-leg",
            "laterality": "left",
            "length_mm": 160,
            "reference_end": "proximal",
        },
        "opened_at": "2026-03-02T08:00:00+01:00",
    } | deepcopy(changes)


def entry(kind: str, entry_id: str, at: str, **members: Any) -> dict[str, Any]:
    return {"kind": kind, "entry_id": entry_id, "at": at, "performer": PERFORMER} | deepcopy(members)


def installation(entry_id: str = "in-1", at: str = "2026-03-02T11:00:00+01:00", **changes: Any) -> dict[str, Any]:
    members = {
        "anchors_per_side": 17,
        "anchor_interval_mm": 10,
        "setback_mm": 12,
        "bands": [
            {"band": 1, "station_mm": 40, "rest_mark_mm": 10, "mark_mm": Decimal("17.0"), "tail_mm": 80},
            {"band": 2, "station_mm": 80, "rest_mark_mm": 10, "mark_mm": Decimal("19.0"), "tail_mm": 85},
            {"band": 3, "station_mm": 120, "rest_mark_mm": 10, "mark_mm": Decimal("17.5"), "tail_mm": 80},
        ],
        "gaps": [
            {"station_mm": 40, "gap_mm": 41},
            {"station_mm": 80, "gap_mm": 58},
            {"station_mm": 120, "gap_mm": 43},
        ],
        "dressings_placed": 1,
    }
    return entry("installation", entry_id, at, **(members | changes))


def check(entry_id: str = "ch-1", at: str = "2026-03-02T20:00:00+01:00", **changes: Any) -> dict[str, Any]:
    members = {
        "device_status": "in-place",
        "gaps": [{"station_mm": 40, "gap_mm": Decimal("35.5")}, {"station_mm": 80, "gap_mm": Decimal("49.0")}],
        "bands": [{"band": 1, "mark_mm": Decimal("15.5")}, {"band": 2, "mark_mm": Decimal("16.5"), "tail_mm": 85}],
    }
    return {name: value for name, value in entry("check", entry_id, at, **(members | changes)).items() if value != ...}


def reset(entry_id: str = "re-1", at: str = "2026-03-03T11:00:00+01:00", **changes: Any) -> dict[str, Any]:
    return entry("reset", entry_id, at, **({"bands": [{"band": 1, "mark_mm_after": 18}]} | changes))


def removal(entry_id: str = "rm-1", at: str = "2026-03-06T11:00:00+01:00", **changes: Any) -> dict[str, Any]:
    members = {"anchors_removed": 34, "bands_removed": 3, "dressings_removed": 1, "reason": "closed"}
    return entry("removal", entry_id, at, **(members | changes))


def outcome(entry_id: str = "out-1", at: str = "2026-03-06T12:00:00+01:00", **changes: Any) -> dict[str, Any]:
    return entry("outcome", entry_id, at, **({"result": "primary-closure"} | changes))


def amendment(entry_id: str, corrected: dict[str, Any], at: str = "2026-03-04T09:00:00+01:00") -> dict[str, Any]:
    return entry("amendment", entry_id, at, amends=corrected["entry_id"], entry=corrected, reason="misread")


def retraction(entry_id: str, retracts: str, at: str = "2026-03-04T10:00:00+01:00") -> dict[str, Any]:
    return entry("retraction", entry_id, at, retracts=retracts, reason="wrong patient")


def course_file(*entries: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return {"course": course(**changes), "entries": list(entries)}


UTC_NOW = NOW.astimezone(UTC)
